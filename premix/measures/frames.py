"""Frames of a stream, whatever its blocks: Gram matrices of every step, and the spectra of few frames."""

import math
from collections.abc import Iterator

import numpy as np

from premix.arrays import ComplexArray, FloatArray


class StepGram:
    """Gram matrices of consecutive steps of `length` samples of a stream of `signals` signals: the energy of any sum
    of the signals, without making the sum.

    Blocks may end anywhere: the step that a block leaves unfinished is carried over in `unfinished` as its
    sums so far, so that another blocking changes the last digits only (rounding of the sums).
    """

    def __init__(self, length: int, signals: int) -> None:
        self._length = length
        self._filled = 0
        self.unfinished = np.zeros((signals, signals))

    def feed(self, block: FloatArray) -> FloatArray:
        """Gram matrices of the steps that this block, shape (signals, frames), completes.

        Shape (steps, signals, signals); entry [k, m, n] is the sum of x_m x_n over step k.
        """
        signals, frames = block.shape
        head = min(frames, self._length - self._filled) if self._filled else 0
        steps = (frames - head) // self._length
        tail = head + steps * self._length
        windows = block[:, head:tail].reshape(signals, steps, self._length)
        grams = np.empty((steps, signals, signals))
        for m in range(signals):
            for n in range(m + 1):  # pairs of dot products beat one small matrix product a step
                grams[:, m, n] = grams[:, n, m] = np.vecdot(windows[m], windows[n])
        if head:
            self.unfinished += block[:, :head] @ block[:, :head].T
            self._filled += head
        if self._filled == self._length:
            grams = np.concatenate((self.unfinished[None], grams))
        if self._filled in (0, self._length):
            self.unfinished = block[:, tail:] @ block[:, tail:].T
            self._filled = frames - tail
        return grams


class SparseSpectra:
    """Spectra of Hann-windowed adjacent frames of a stream of blocks, shape (channels, frames).

    The first `most` frames are all taken, then `most` of every second one, then of every fourth and so on,
    each with the number of frames it stands for as its weight: an hour costs a few times what a minute does,
    and weighted sums still stand for the whole stream. The frames do not depend on the blocking.

    size: samples of a frame, the power of two from `least` on.
    """

    def __init__(self, channels: int, least: float, most: int = 64) -> None:
        self.size = 1 << math.ceil(math.log2(least))
        self.window: FloatArray = np.hanning(self.size + 1)[:-1]
        self._frame = np.empty((channels, self.size))
        self._filled = self._skip = self._taken = 0
        self._most, self._stride = most, 1

    def feed(self, block: FloatArray) -> Iterator[tuple[int, ComplexArray]]:
        """(weight, spectra (channels, size / 2 + 1)) of each frame that this block completes."""
        at = 0
        while at < block.shape[1]:
            if self._skip:
                step = min(self._skip, block.shape[1] - at)
                self._skip -= step
            else:
                step = min(self.size - self._filled, block.shape[1] - at)
                self._frame[:, self._filled : self._filled + step] = block[:, at : at + step]
                self._filled += step
                if self._filled == self.size:
                    yield self._stride, np.fft.rfft(self._frame * self.window)
                    self._next_frame()
            at += step

    def _next_frame(self) -> None:
        self._filled = 0
        self._taken += 1
        self._skip = (self._stride - 1) * self.size
        if self._taken % self._most == 0:
            self._stride *= 2
