"""What the page of a balance computes with: the Gram matrices of its signals over a stretch of the song.

Any balance of the signals is a sum with gains, and the power of a sum is a quadratic form in them: by third octave that
is its curve, of both channels together its mono fold and correlation, and K-weighted, in hops of 100 ms, its loudness
with the gates of ITU-R BS.1770-5. Only the triangle of each matrix is kept, rows one after the other.
"""

import base64
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass

import numpy as np

from premix.arrays import FloatArray
from premix.audio.bands import Band, band_slices, third_octave_bands
from premix.measures.loudness import STEPS_PER_HOP, WeightedSteps
from premix.report.listening import Stream
from premix.report.window import Window

BANDS = third_octave_bands(40.0, 12_500.0)
MOST_GATED = 48
"""With more signals the loudness is told without gates: a matrix every 100 ms would outweigh the sound."""
_PIECE_S = 0.25


@dataclass(frozen=True, slots=True)
class BalanceMatrix:
    """Triangles (..., T) with T = N (N + 1) / 2. bands: (B, T) energies; whole: (T); hops: (H, T) K-weighted mean
    squares, one every 100 ms, or (1, T) of the whole stretch where there are too many signals; gated: which."""

    centres_hz: tuple[float, ...]
    bands: FloatArray
    whole: FloatArray
    hops: FloatArray
    gated: bool

    def packed(self) -> dict[str, object]:
        """As the page reads it: little-endian doubles (hops: singles) in base64."""
        return {
            "centres_hz": list(self.centres_hz),
            "bands": _base64(self.bands, "<f8"),
            "whole": _base64(self.whole, "<f8"),
            "hops": _base64(self.hops, "<f4"),
            "gated": self.gated,
        }


def matrix_of(open_stream: Callable[[int], Stream], signals: int, window: Window, rate: int) -> BalanceMatrix:
    """The matrices of the signals that come out of `open_stream`, over the window."""
    rows, columns = np.triu_indices(signals)
    freqs_hz: FloatArray = np.asarray(np.fft.rfftfreq(window.frames, 1.0 / rate), np.float64)
    bands = tuple(band for band in BANDS if band.upper_hz < rate / 2)
    slices = band_slices(freqs_hz, bands)
    whole, piece = np.zeros((signals, signals)), round(_PIECE_S * rate)
    steps, weighted = WeightedSteps(rate, signals), []
    samples = np.empty((signals, window.frames), np.float32)  # a page holds few: its clips have to fit
    with closing(open_stream(window.start)) as stream:
        for done in range(0, window.frames, piece):
            block = stream.next(min(piece, window.frames - done))
            samples[:, done : done + block.shape[1]] = block
            whole += block @ block.T
            weighted.append(steps.feed(block)[:, rows, columns] / steps.length)
    by_band = np.zeros((len(bands), signals, signals))
    spectra = np.empty((signals, slices[-1].stop), np.complex64)
    for row, own in zip(spectra, samples, strict=True):
        row[:] = np.fft.rfft(own)[: slices[-1].stop]
    for b, part in enumerate(slices):
        flat = np.concatenate((spectra[:, part].real, spectra[:, part].imag), axis=1).astype(np.float64)
        by_band[b] = flat @ flat.T
    powers = np.concatenate(weighted)
    count = len(powers) // STEPS_PER_HOP
    gated = signals <= MOST_GATED and count >= 4
    hops = powers[: count * STEPS_PER_HOP].reshape(count, STEPS_PER_HOP, len(rows)).mean(axis=1) if gated else powers
    return BalanceMatrix(
        _centres(bands),
        by_band[:, rows, columns],
        whole[rows, columns],
        hops if gated else powers.mean(axis=0, keepdims=True),
        gated,
    )


def _centres(bands: tuple[Band, ...]) -> tuple[float, ...]:
    return tuple(band.centre_hz for band in bands)


def _base64(values: FloatArray, kind: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values, kind).tobytes()).decode()
