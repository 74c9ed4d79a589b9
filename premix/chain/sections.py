"""Second-order sections at work in a chain."""

import numpy as np

from premix.chain.processor import Running
from premix.dsp.section_filter import section_loop
from premix.model.analysis import FloatArray

_TINY = 1e-30
_STRETCH = 16384


class SectionFilter(Running):
    """Filters blocks through sections (n, 6) in series, with state; rows as in scipy.signal."""

    def __init__(self, sections: FloatArray, channels: int) -> None:
        self._sections = np.ascontiguousarray(sections, np.float64)
        self._state = np.zeros((channels, len(sections), 2))
        self._position = 0

    def process(self, block: FloatArray) -> FloatArray:
        done, count = 0, block.shape[1]
        while done < count:
            stop = min(count, done + _STRETCH - self._position % _STRETCH)
            piece = np.ascontiguousarray(block[:, done:stop])
            section_loop()(self._sections, piece, self._state)
            block[:, done:stop] = piece
            self._position += stop - done
            done = stop
            if self._position % _STRETCH == 0:
                # In digital silence the state would sink into denormal numbers, which are slow; this is -600 dB.
                # It is done at fixed places, so that the block size stays without effect.
                self._state[np.abs(self._state) < _TINY] = 0.0
        return block
