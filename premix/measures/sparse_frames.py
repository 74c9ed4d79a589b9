"""Frames of a stream for spectra: every frame at first, ever fewer as the stream goes on."""

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


class SparseFrames:
    """Cuts a stream of blocks, shape (channels, frames), into adjacent frames of `size` samples.

    The first `most` frames are all taken, then `most` of every second one, then of every fourth and so on,
    each with the number of frames it stands for as its weight: an hour costs a few times what a minute does,
    and weighted sums still stand for the whole stream. The frames do not depend on the blocking.
    """

    def __init__(self, channels: int, size: int, most: int) -> None:
        self._frame = np.empty((channels, size))
        self._filled = 0
        self._skip = 0
        self._most = most
        self._taken = 0
        self._stride = 1

    def feed(self, block: FloatArray) -> Iterator[tuple[int, FloatArray]]:
        """(weight, frame) of each frame that this block completes; the frame is valid until the next one."""
        size = self._frame.shape[1]
        at = 0
        while at < block.shape[1]:
            if self._skip:
                step = min(self._skip, block.shape[1] - at)
                self._skip -= step
            else:
                step = min(size - self._filled, block.shape[1] - at)
                self._frame[:, self._filled : self._filled + step] = block[:, at : at + step]
                self._filled += step
                if self._filled == size:
                    yield self._stride, self._frame
                    self._next_frame()
            at += step

    def _next_frame(self) -> None:
        self._filled = 0
        self._taken += 1
        self._skip = (self._stride - 1) * self._frame.shape[1]
        if self._taken % self._most == 0:
            self._stride *= 2
