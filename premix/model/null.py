"""What a null test of two streams found."""

from dataclasses import dataclass


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
