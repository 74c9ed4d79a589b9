"""Rows of fixed length at fixed places of the signal: what works on them cannot depend on the block size."""

from collections.abc import Callable

import numpy as np

from premix.chain.processor import Running
from premix.model.analysis import FloatArray

RowWork = Callable[[FloatArray], FloatArray]
"""(channels, row) -> (channels, row); the argument must be left as it is, and the result be an array of its own."""


class InRows(Running):
    """Gathers blocks of any size into rows for `work`; that delays the signal by one row.

    latency_samples: the row and what `work` itself delays.
    """

    def __init__(self, work: RowWork, channels: int, row: int, work_latency: int = 0) -> None:
        self.latency_samples = row + work_latency
        self._work = work
        self._row = row
        self._gathered = np.zeros((channels, row))
        self._made = np.zeros((channels, row))
        self._filled = 0

    def process(self, block: FloatArray) -> FloatArray:
        done, count = 0, block.shape[1]
        while done < count:
            size = min(self._row - self._filled, count - done)
            places = slice(self._filled, self._filled + size)
            piece = block[:, done : done + size]
            self._gathered[:, places] = piece
            piece[:] = self._made[:, places]
            self._filled += size
            done += size
            if self._filled == self._row:
                self._made = self._work(self._gathered)
                self._filled = 0
        return block
