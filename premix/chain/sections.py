"""Second-order sections at work, and Butterworth sections of any slope."""

from typing import Literal

import numpy as np

from premix.chain.processor import Running
from premix.model.analysis import FloatArray

Kind = Literal["highpass", "lowpass", "bandpass"]
_TINY = 1e-30
_STRETCH = 16384


class SectionFilter(Running):
    """Filters blocks through sections (n, 6) in series, with state; rows as in scipy.signal."""

    def __init__(self, sections: FloatArray, channels: int) -> None:
        self._sections = sections
        self._state = np.zeros((len(sections), channels, 2))
        self._position = 0

    def process(self, block: FloatArray) -> FloatArray:
        from scipy.signal import sosfilt  # slow to import

        done, count = 0, block.shape[1]
        while done < count:
            stop = min(count, done + _STRETCH - self._position % _STRETCH)
            piece = block[:, done:stop]
            piece[:], self._state = sosfilt(self._sections, piece, axis=1, zi=self._state)
            self._position += stop - done
            done = stop
            if self._position % _STRETCH == 0:
                # In digital silence the state would sink into denormal numbers, which are slow; this is -600 dB.
                # It is done at fixed places, so that the block size stays without effect.
                self._state[np.abs(self._state) < _TINY] = 0.0
        return block


def butterworth(kind: Kind, edges_hz: float | tuple[float, float], slope_db_oct: int, rate: int) -> FloatArray:
    """Sections of a Butterworth filter: -3.01 dB at each edge, `slope_db_oct` (a multiple of 6) beyond it.

    kind: 'highpass', 'lowpass' or 'bandpass', as scipy.signal names them.
    """
    from scipy.signal import butter  # slow to import

    sections: FloatArray = butter(slope_db_oct // 6, edges_hz, kind, fs=rate, output="sos")
    return sections
