"""The balance that was found in a rough mix of a song's tracks."""

from dataclasses import dataclass
from typing import Literal

from premix.errors import Finding


@dataclass(frozen=True, slots=True)
class FoundMic:
    """One mic of the set-up. now_db, found_db: gain in its stem; found_db None: it is not in the mix. sure_db: standard
    deviation of the found gain over parts of the song; None: not told."""

    mic: str
    now_db: float
    found_db: float | None
    sure_db: float | None


@dataclass(frozen=True, slots=True)
class FoundPerformance:
    """One performance on its bus: gain and pan, now and as found; sure_db, sure_pan: standard deviations.

    found_db and found_pan None: it is not in the mix.
    """

    performance: str
    bus: str
    now_db: float
    found_db: float | None
    sure_db: float | None
    now_pan: float
    found_pan: float | None
    sure_pan: float | None


@dataclass(frozen=True, slots=True)
class FoundBalance:
    """What a rough mix is made of. explained: share of the mix, in the mean of its third octaves, that these tracks
    make up, on parts of the song that the gains were not fitted to. offset_s: how much later than the tracks it begins.
    tracks: as they were recorded, or aligned as the recipe says. equaliser_db: of the mix, by third octave, (Hz, dB).
    """

    explained: float
    offset_s: float
    tracks: Literal["recorded", "aligned"]
    mics: tuple[FoundMic, ...]
    performances: tuple[FoundPerformance, ...]
    equaliser_db: tuple[tuple[float, float], ...]
    findings: tuple[Finding, ...] = ()
