"""The set-up's print: what each mic does against the reference, whatever was played, and how sure that is."""

import math
from dataclasses import dataclass

from premix.model.settings import Role

BandFigures = tuple[float | None, ...]
"""A figure a third octave; None where the mic shares too little with the reference to tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MicPrint:
    """One mic against the reference, both as they were recorded, without the recipe's gains and filters.

    delay_samples, delay_mm: positive is later, and further at the print's temperature. polarity: 1 or -1. level_db:
    mean over third octaves of the level against the reference's (of a sub mic, up to 250 Hz, as its delay). levels_db,
    phases_deg: by third octave; the phase is what is left when delay and polarity are put right. coherence: with the
    reference, its mean over these bands, 0 to 1. Each error is one standard error: how far the figure moves with the
    notes that happen to be played. None: nothing to tell.
    """

    mic: str
    role: Role
    polarity: int
    delay_samples: float | None
    delay_error_samples: float | None
    delay_mm: float | None
    delay_error_mm: float | None
    level_db: float | None
    level_error_db: float | None
    coherence: float | None
    levels_db: BandFigures
    level_errors_db: BandFigures
    phases_deg: BandFigures
    phase_errors_deg: BandFigures


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUpPrint:
    """The mics of one performance, or of all together (performance None), against the reference.

    riff_s: how much riff that was measured over. mics: all but the reference and DIs.
    """

    performance: str | None
    reference: str
    riff_s: float
    mics: tuple[MicPrint, ...]

    def mic(self, name: str) -> MicPrint | None:
        """The mic of that name, None where this print has none that tells something."""
        return next((mic for mic in self.mics if mic.mic == name and mic.delay_samples is not None), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class SetUp:
    """The set-up of a song. rate: of its samples. temperature_c: of the air, as the recipe says it; the distances in mm
    are at the speed that sound has in it. centres_hz: of the third octaves. performances: each alone; pooled: all
    together, None where no performance tells anything.
    """

    rate: int
    temperature_c: float
    centres_hz: tuple[float, ...]
    pooled: SetUpPrint | None
    performances: tuple[SetUpPrint, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """One mic of one print against another. moved_mm: positive is further from the speaker than the reference is.
    level_db: all bands alike; top_db: of the bands from 4 kHz up on top of that. colour_db: of the band that is off
    most, colour_hz, when level and top are taken out; 0 where none is. turned: whether its polarity is another.
    path_mm: how far it was behind the reference before. Errors are standard errors; inf where nothing can be told."""

    mic: str
    role: str
    path_mm: float
    moved_mm: float
    moved_error_mm: float
    level_db: float
    level_error_db: float
    top_db: float = 0.0
    top_error_db: float = math.inf
    colour_db: float = 0.0
    colour_hz: float = 0.0
    turned: bool = False
