"""Convolution with a long impulse response, streamed: uniformly partitioned overlap-save.

After Wefers, Partitioned Convolution Algorithms for Real-Time Auralization (2015), ch. 5 (from memory).
"""

import numpy as np

from premix.chain.rows import InRows
from premix.model.analysis import ComplexArray, FloatArray

SMALLEST_ROW, LARGEST_ROW = 1024, 16384


def convolver(taps: FloatArray, channels: int, latency: int = 0) -> InRows:
    """Convolution with `taps` (n,) or (channels, n); latency: samples of it that are the taps' own (a linear phase)."""
    per_channel = np.broadcast_to(np.atleast_2d(taps), (channels, taps.shape[-1]))
    row = row_for(taps.shape[-1])
    return InRows(_Partitions(per_channel, row).work, channels, row, latency)


def row_for(taps: int) -> int:
    """A row that keeps both the number of partitions and the memory small."""
    return min(LARGEST_ROW, max(SMALLEST_ROW, 1 << (taps // 4).bit_length()))


class _Partitions:
    """The spectra of the taps, one a row of them, and of as many rows of the signal."""

    def __init__(self, taps: FloatArray, row: int) -> None:
        channels, length = taps.shape
        count = -(-length // row)
        padded = np.zeros((channels, count * row))
        padded[:, :length] = taps
        self._row = row
        self._taps: ComplexArray = np.fft.rfft(padded.reshape(channels, count, row), 2 * row)
        self._heard: ComplexArray = np.zeros_like(self._taps)
        self._before = np.zeros((channels, row))
        self._newest = 0

    def work(self, block: FloatArray) -> FloatArray:
        both = np.concatenate([self._before, block], axis=1)
        self._before = both[:, self._row :]
        count = self._taps.shape[1]
        self._newest = (self._newest - 1) % count
        self._heard[:, self._newest] = np.fft.rfft(both)
        total = np.zeros_like(self._heard[:, 0])
        for k in range(count):
            total += self._taps[:, k] * self._heard[:, (self._newest + k) % count]
        made: FloatArray = np.fft.irfft(total, 2 * self._row)[:, self._row :]
        return made
