"""A whole number of samples of delay, streamed."""

import numpy as np

from premix.model.analysis import FloatArray


class DelayLine:
    """Delays (channels, n) blocks by `samples`; zeros come first. Bit for bit, whatever the block size."""

    def __init__(self, channels: int, samples: int) -> None:
        self._held = np.zeros((channels, samples))

    def process(self, block: FloatArray) -> FloatArray:
        """The next block (channels, n), `samples` late; the block itself where the delay is zero."""
        if not self._held.shape[1]:
            return block
        both = np.concatenate([self._held, block], axis=1)
        self._held = both[:, block.shape[1] :].copy()
        return both[:, : block.shape[1]]
