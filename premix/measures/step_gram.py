"""Gram matrices of a stream, step by step: the energy of any sum of the signals, without making the sum."""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


class StepGram:
    """Gram matrices of consecutive steps of `length` samples of a stream of `signals` signals.

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
