"""Sample-rate conversion of an output: soxr at its very high quality, exact length, no delay."""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def frames_at(frames: int, rate_in: int, rate_out: int) -> int:
    """Frames of the converted file: the nearest whole number to the same duration."""
    return round(frames * rate_out / rate_in)


class Resampler:
    """Streams blocks (channels, n) from one rate to another; the blocks' sum is `frames_at` frames long."""

    def __init__(self, rate_in: int, rate_out: int, channels: int, frames: int) -> None:
        import soxr

        self._stream = soxr.ResampleStream(rate_in, rate_out, channels, dtype="float64", quality="VHQ")
        self._left_in = frames
        self._left_out = frames_at(frames, rate_in, rate_out)
        self._channels = channels

    def feed(self, block: FloatArray) -> FloatArray:
        """Convert the next block; the last one (by the count of frames) brings what is left."""
        self._left_in -= block.shape[1]
        last = self._left_in <= 0
        chunk = self._stream.resample_chunk(np.ascontiguousarray(block.T), last=last)
        made: FloatArray = chunk.reshape(-1, self._channels).T[:, : self._left_out]
        self._left_out -= made.shape[1]
        if last and self._left_out:
            made = np.concatenate([made, np.zeros((self._channels, self._left_out))], axis=1)
            self._left_out = 0
        return made
