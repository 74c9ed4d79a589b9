"""Null test: what is left when one stream is subtracted from another."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from premix.arrays import FloatArray
from premix.measures.peaks import rms_to_dbfs
from premix.units import gain_to_db, samples_to_s


@dataclass(frozen=True, slots=True)
class NullResult:
    """The difference a - b of two streams; the shorter one counts as zeros past its end.

    frames_a, frames_b: lengths. residual_peak_dbfs, residual_rms_dbfs: of a - b as it is (rms by AES17: a
    full-scale sine reads 0 dBFS); None when every sample is equal. best_gain: the one linear gain on b that
    comes closest to a, None when b is silent; residual_best_gain_rms_dbfs: what is left of the rms then, None
    when nothing is. first_difference_s: when the first sample differs, None when none does.
    nonfinite: samples that are NaN or infinite in either stream; they count as different, and in no level.
    """

    frames_a: int
    frames_b: int
    residual_peak_dbfs: float | None
    residual_rms_dbfs: float | None
    best_gain: float | None
    residual_best_gain_rms_dbfs: float | None
    first_difference_s: float | None
    nonfinite: int = 0

    @property
    def identical(self) -> bool:
        """Same length and every sample equal."""
        return self.frames_a == self.frames_b and self.first_difference_s is None

    def holds(self, below_dbfs: float) -> bool:
        """Same length, all finite, and no sample of the residual above `below_dbfs`."""
        quiet = self.residual_peak_dbfs is None or self.residual_peak_dbfs <= below_dbfs
        return self.frames_a == self.frames_b and self.nonfinite == 0 and quiet


class NullMeter:
    """Compares two streams of equal shape, block by block, shape (channels, frames)."""

    def __init__(self, rate: int, channels: int) -> None:
        self._rate = rate
        self._channels = channels
        self._frames = 0
        self._peak = 0.0
        self._residual = 0.0  # sums over all samples of d d, d b and b b, with d = a - b
        self._cross = 0.0
        self._energy = 0.0
        self._first: int | None = None
        self._nonfinite = 0

    def feed(self, a: FloatArray, b: FloatArray) -> None:
        """Compare the next block of each. ValueError where the shapes differ."""
        if a.shape != b.shape or len(a) != self._channels:
            raise ValueError(f"shapes {a.shape} and {b.shape} are not both ({self._channels}, frames)")
        if not a.size:
            return
        different = a != b  # NaN differs from everything, as it should here
        if self._first is None and different.any():
            self._first = self._frames + int(np.argmax(different.any(axis=0)))
        finite = np.isfinite(a) & np.isfinite(b)
        if not finite.all():
            self._nonfinite += int(np.count_nonzero(~finite))
            a, b = np.where(finite, a, 0.0), np.where(finite, b, 0.0)
        difference = a - b
        self._peak = max(self._peak, float(np.abs(difference).max()))
        self._residual += float(np.vdot(difference, difference))
        self._cross += float(np.vdot(difference, b))
        self._energy += float(np.vdot(b, b))
        self._frames += a.shape[1]

    def result(self, frames_a: int, frames_b: int) -> NullResult:
        """The result so far, of streams of these lengths.

        The best gain g minimises sum (a - g b)^2. With d = a - b it is 1 + sum(d b) / sum(b b), and leaves
        sum(d d) - sum(d b)^2 / sum(b b): no difference of large sums, so it is right far below -150 dB.
        """
        samples = max(1, self._frames * self._channels)
        gain, left = None, self._residual
        if self._energy > 0.0:
            gain = 1.0 + self._cross / self._energy
            left = max(0.0, self._residual - self._cross**2 / self._energy)
        return NullResult(
            frames_a=frames_a,
            frames_b=frames_b,
            residual_peak_dbfs=gain_to_db(self._peak) if self._peak > 0.0 else None,
            residual_rms_dbfs=_rms_dbfs(self._residual / samples),
            best_gain=gain,
            residual_best_gain_rms_dbfs=_rms_dbfs(left / samples),
            first_difference_s=None if self._first is None else samples_to_s(self._first, self._rate),
            nonfinite=self._nonfinite,
        )


def _rms_dbfs(mean_square: float) -> float | None:
    return rms_to_dbfs(math.sqrt(mean_square)) if mean_square > 0.0 else None


def null_test(a: Iterable[FloatArray], b: Iterable[FloatArray], rate: int, channels: int) -> NullResult:
    """Null test of two streams of blocks, shape (channels, frames), of any block sizes and lengths.

    ValueError where a block has another number of channels.
    """
    meter, streams, frames = NullMeter(rate, channels), (iter(a), iter(b)), [0, 0]
    waiting = [np.zeros((channels, 0)), np.zeros((channels, 0))]
    while True:
        for which, stream in enumerate(streams):
            while not waiting[which].shape[1] and (block := next(stream, None)) is not None:
                waiting[which] = block
                frames[which] += block.shape[1]
        lengths = [rest.shape[1] for rest in waiting if rest.shape[1]]
        if not lengths:
            return meter.result(*frames)
        count = min(lengths)  # what has ended counts as zeros
        meter.feed(*(rest[:, :count] if rest.shape[1] else np.zeros((channels, count)) for rest in waiting))
        waiting = [rest[:, count:] for rest in waiting]
