"""Mics to one signal: delays and gains as one FIR a mic in overlap-save, spectra summed, one inverse FFT.

Summing spectra before the inverse transform costs one inverse a stem instead of one a mic. Rows of the transform
lie at fixed places of the time line, so the result does not depend on the block size.
"""

from collections.abc import Sequence
from contextlib import ExitStack

import numpy as np

from premix.mixdown.mic_stream import FFT, HISTORY, HOP, MakeInsert, MicStream, Workspace
from premix.model.analysis import FloatArray
from premix.model.render import MicPath


class MicSum:
    """The sum of some mics of one performance, streamed.

    work: shared with every sum that is not asked for while another one is. start: time of the first sample.
    insert: makes the mics' chains.
    """

    def __init__(
        self,
        paths: Sequence[MicPath],
        rate: int,
        work: Workspace,
        start: int = 0,
        insert: MakeInsert | None = None,
    ) -> None:
        self._work = work
        self._streams: list[MicStream] = []
        with ExitStack() as stack:
            for path in paths:
                self._streams.append(MicStream(path, rate, start, insert))
                stack.callback(self._streams[-1].close)
            self.close = stack.pop_all().close

    def next(self, rows: int, out: FloatArray) -> None:
        """Fill `out` (rows * HOP,) with the next block of the sum."""
        work, total, begun = self._work, None, False
        for stream in self._streams:
            samples = stream.next(rows, work.samples)
            if stream.response is None:
                samples[HISTORY:] *= stream.gain
                _add(samples[HISTORY:], out, begun)
                begun = True
                continue
            spectra = (work.total if total is None else work.one)[:rows]
            np.fft.rfft(work.overlapping[:rows], axis=1, out=spectra)
            spectra *= stream.response
            if total is None:
                total = spectra
            else:
                total += spectra
        if total is not None:
            back = np.fft.irfft(total, FFT, axis=1, out=work.back[:rows])
            _add(back[:, HISTORY:], out.reshape(rows, HOP), begun)
        elif not begun:
            out[:] = 0.0


def _add(samples: FloatArray, out: FloatArray, begun: bool) -> None:
    """Into `out`, on top of what it holds where the sum has begun."""
    if begun:
        out += samples
    else:
        out[:] = samples
