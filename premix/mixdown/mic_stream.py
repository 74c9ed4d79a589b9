"""One track on its way into the sum: read ahead by its delay, filtered, handed on block by block."""

import numpy as np

from premix.audiofile.reader import TrackReader
from premix.dsp.fractional import TAPS, advance_fir, split_delay
from premix.dsp.mic_filters import mic_sections
from premix.model.analysis import ComplexArray, FloatArray
from premix.model.render import MicPath

FFT = 2048
HOP = 1920
HISTORY = FFT - HOP
"""Samples before each row that the FIR may reach back into; more than its TAPS - 1."""
_WARM_UP = 65536


class MicStream:
    """The samples of one mic, advanced by the whole part of its delay.

    `next(rows)` gives (HISTORY + rows * HOP) samples: HISTORY from before the block, then the block itself, where
    sample k of the block belongs at output sample k of the same block. A mic whose rest of delay is zero needs no
    FIR (`response` is None) and nulls against its file bit for bit.
    """

    def __init__(self, path: MicPath, rate: int, rows: int) -> None:
        self.gain = path.gain
        whole, rest = split_delay(path.delay_samples)
        self.response: ComplexArray | None = None
        if rest != 0.0:
            self.response = np.fft.rfft(advance_fir(rest) * path.gain, FFT)
            whole += TAPS // 2 - 1
        self._reader = TrackReader(path.track)
        self._position = whole
        self._buffer = np.zeros(HISTORY + rows * HOP)
        self._filled = 0
        self._filter = _Filter(mic_sections(rate, path.high_pass_hz, path.low_pass_hz, path.rotation))
        self._warm_up()

    def close(self) -> None:
        self._reader.close()

    def next(self, rows: int) -> FloatArray:
        """The next block with its history; a view that the following call overwrites."""
        count = rows * HOP
        if self._filled:
            self._buffer[:HISTORY] = self._buffer[self._filled : self._filled + HISTORY]
        new = self._buffer[HISTORY : HISTORY + count]
        self._reader.read(self._position, new)
        self._filter.run(new)
        self._position += count
        self._filled = count
        return self._buffer[: HISTORY + count]

    def _warm_up(self) -> None:
        """Let the filter and the FIR see what lies before the first block: an advanced mic has sound there."""
        start = min(self._position - HISTORY, 0 if self._filter.active else self._position - HISTORY)
        while start < self._position:
            count = min(_WARM_UP, self._position - start)
            piece = np.zeros(count)
            self._reader.read(start, piece)
            self._filter.run(piece)
            keep = min(count, HISTORY)
            self._buffer[: HISTORY - keep] = self._buffer[keep:HISTORY]
            self._buffer[HISTORY - keep : HISTORY] = piece[count - keep :]
            start += count


class _Filter:
    """Second-order sections with state; does nothing when there are none."""

    def __init__(self, sections: FloatArray) -> None:
        self.active = len(sections) > 0
        self._sections = sections
        self._state = np.zeros((len(sections), 2))

    def run(self, samples: FloatArray) -> None:
        """Filter `samples` (n,) in place."""
        if self.active:
            from scipy.signal import sosfilt  # slow to import

            samples[:], self._state = sosfilt(self._sections, samples, zi=self._state)
