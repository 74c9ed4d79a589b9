"""What a first look at the tracks found, before any work is done."""

from dataclasses import dataclass

from premix.model.analysis import TrackLevels


@dataclass(frozen=True, slots=True)
class TrackLook:
    """One track: its levels, its loudness as a mono file (LUFS) and its noise floor; None where there is no sound.

    noise_floor_dbfs: level that its quietest tenth of 25 ms blocks stays under.
    """

    levels: TrackLevels
    loudness_lufs: float | None
    noise_floor_dbfs: float | None
