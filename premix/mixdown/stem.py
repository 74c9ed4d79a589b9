"""Mics to one signal: delays and gains as one FIR a mic in overlap-save, spectra summed, one inverse FFT.

Summing spectra before the inverse transform costs one inverse a stem instead of one a mic. Rows of the transform
lie at fixed places of the time line, so the result does not depend on the block size.
"""

from collections.abc import Sequence
from contextlib import ExitStack

import numpy as np

from premix.mixdown.mic_stream import FFT, HISTORY, HOP, MakeInsert, MicStream
from premix.model.analysis import FloatArray
from premix.model.render import MicPath


class MicSum:
    """The sum of some mics of one performance, streamed.

    rows: most rows of HOP samples a block has. start: time of the first sample. insert: makes the mics' chains.
    """

    def __init__(
        self, paths: Sequence[MicPath], rate: int, rows: int, start: int = 0, insert: MakeInsert | None = None
    ) -> None:
        self._streams: list[MicStream] = []
        with ExitStack() as stack:
            for path in paths:
                self._streams.append(MicStream(path, rate, rows, start, insert))
                stack.callback(self._streams[-1].close)
            self.close = stack.pop_all().close
        turned = any(s.response is not None for s in self._streams)
        bins = FFT // 2 + 1
        self._total = np.zeros((rows if turned else 0, bins), np.complex128)
        self._one = np.zeros((rows if turned else 0, bins), np.complex128)
        self._back = np.zeros((rows if turned else 0, FFT))

    def next(self, rows: int, out: FloatArray) -> None:
        """Fill `out` (rows * HOP,) with the next block of the sum."""
        out[:] = 0.0
        turned = False
        for stream in self._streams:
            samples = stream.next(rows)
            if stream.response is None:
                out += stream.gain * samples[HISTORY:]
                continue
            spectra = self._one[:rows] if turned else self._total[:rows]
            np.fft.rfft(_rows_of(samples, rows), axis=1, out=spectra)
            spectra *= stream.response
            if turned:
                self._total[:rows] += spectra
            turned = True
        if turned:
            np.fft.irfft(self._total[:rows], FFT, axis=1, out=self._back[:rows])
            out.reshape(rows, HOP)[:] += self._back[:rows, HISTORY:]


def _rows_of(samples: FloatArray, rows: int) -> FloatArray:
    """The overlapping rows (rows, FFT) of a block with its history, without a copy."""
    return np.lib.stride_tricks.as_strided(
        samples, (rows, FFT), (HOP * samples.itemsize, samples.itemsize), writeable=False
    )
