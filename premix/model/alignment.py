"""Decisions of the alignment, and the sheet in which people read, edit and approve them."""

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from premix.model.settings import GateSpan, Name, Role, Samples, Section

Origin = Literal["auto", "recipe", "sheet", "refused"]
Confidence = Literal["sure", "good", "fair"]
Outcome = Literal["aligned", "as_recorded", "muted", "refused"]


@dataclass(frozen=True, slots=True)
class AllPass:
    """One all-pass section: order 1 or 2, corner in Hz, q (order 2 only)."""

    order: Literal[1, 2]
    corner_hz: float
    q: float = 0.7071


@dataclass(frozen=True, slots=True)
class Passage:
    """A stretch of the song, on its time line, in which a mic holds one polarity and one delay, or one even drift.

    from_s, to_s: where it begins and ends. delay_samples, polarity: as in MicDecision, at `from_s`. ppm: how the delay
    grows: at `from_s` + t seconds it is delay_samples + 1e-6 ppm t rate.
    """

    from_s: float
    to_s: float
    delay_samples: float
    polarity: int
    ppm: float = 0.0

    def at(self, time_s: float, rate: int) -> float:
        """Delay in samples at a time of the song."""
        return self.delay_samples + 1e-6 * self.ppm * (time_s - self.from_s) * rate


@dataclass(frozen=True, slots=True)
class DelayParts:
    """What a mic's delay is made of, in ms: the way of the sound, the recipe's filters, and the mic's own band-pass.

    distance_cm: how far it stands behind the reference; nine in ten are right within `within_cm`.
    """

    distance_ms: float
    filters_ms: float
    own_ms: float
    distance_cm: float
    within_cm: float


@dataclass(frozen=True, slots=True)
class MicDecision:
    """What is done to one mic of one performance, and why.

    delay_samples > 0: this mic is LATE against the reference and is advanced by that much. polarity: 1 or -1.
    origin: who decided. summed: whether the mic is part of the sum (False: muted, by recipe or by refusal).
    arrival_samples: when the mic hears the guitar after the reference, as found, whether or not it is applied
    (None where it could not be found). margin_db: sum efficiency lost by the best answer of the other polarity.
    polarity_clear: of a mic outside the sum, whether the other polarity is clearly worse (None: not judged).
    coherence: with the rest of the set-up, averaged over the mic's own band, 0 to 1; chance: what unrelated
    audio would show. halves_samples: difference between the answers of the two halves of the take.
    spread_samples: standard deviation of the estimate that the noise explains. moved_samples: how far this performance
    is from the pooled answer, None when it is part of it. refusal: slug of the reason, None when not refused. passages:
    of a mic that changes in the song, one after the other from 0 s to its end; the delay and polarity above are then
    those of the longest, at its middle. Empty where the mic is steady. range_samples: the true delay lies this near in
    nine cases of ten. confidence: what the evidence is worth; both None of a mic that is not in the sum or not found.
    """

    performance: str
    mic: str
    role: Role
    reference: str
    delay_samples: float
    polarity: int
    origin: Origin
    summed: bool = True
    arrival_samples: float | None = None
    margin_db: float | None = None
    polarity_clear: bool | None = None
    coherence: float | None = None
    chance: float | None = None
    halves_samples: float | None = None
    spread_samples: float | None = None
    moved_samples: float | None = None
    rotation: AllPass | None = None
    refusal: str | None = None
    passages: tuple[Passage, ...] = ()
    range_samples: float | None = None
    confidence: Confidence | None = None


@dataclass(frozen=True, slots=True)
class MicTrail:
    """One mic followed through the song, against the rest of its performance: a point for every window of riff.

    times_s: (n) middle of each window on the song's time line. delay_samples: (n) as in MicDecision, the whole
    lateness. spread_samples: (n) standard deviation of each. polarity: (n) 1 or -1. level_db: (n) against the rest,
    0 on average.
    """

    mic: str
    times_s: tuple[float, ...]
    delay_samples: tuple[float, ...]
    spread_samples: tuple[float, ...]
    polarity: tuple[int, ...]
    level_db: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class BandEfficiency:
    """Sum efficiency in one third-octave band; weight 0: no signal there, left out of the mean."""

    centre_hz: float
    before_db: float
    after_db: float
    weight: float


@dataclass(frozen=True, slots=True)
class BandShare:
    """One mic in one third octave of its performance's sum. share: of the power; all mics together have 1, one that
    takes more away than it brings has less than 0. without_db: change of the band's level when the mic is left out and
    the others are levelled again; -60 where nothing is left."""

    centre_hz: float
    share: float
    without_db: float


@dataclass(frozen=True, slots=True)
class MicShare:
    """What one close mic does in the sum of its performance, while the guitar plays; gains, filters, delays and
    polarities as decided, nonlinear processors left out.

    share: mean over the bands that hold sound. without_db: of the band that changes most when it is left out, its sign
    kept; the others are levelled again first, levelled: by so many dB, by name (-120: best left out as well). spare:
    whether every band then stays within 0.5 dB.
    """

    mic: str
    share: float
    without_db: float
    spare: bool
    levelled: tuple[tuple[str, float], ...] = ()
    bands: tuple[BandShare, ...] = ()


@dataclass(frozen=True, slots=True)
class Efficiency:
    """Sum efficiency of one performance's close mics, as recorded and as decided (0 dB: the physical limit).

    The main figures cover 40 Hz to 6 kHz; `*_10k_db` reach 10 kHz. without: efficiency when one mic goes back
    to as recorded while all others stay as decided, by mic name. worst_passage_db: of the 2 s of riff in which the sum
    as decided is worst, and worst_passage_s: from where to where on the time line; None where it was not followed.
    shares: of each mic in the sum.
    """

    performance: str
    before_db: float
    after_db: float
    before_10k_db: float
    after_10k_db: float
    bands: tuple[BandEfficiency, ...] = ()
    without: tuple[tuple[str, float], ...] = ()
    worst_passage_db: float | None = None
    worst_passage_s: tuple[float, float] | None = None
    shares: tuple[MicShare, ...] = ()


class SheetRotation(Section):
    """One all-pass: magnitude flat, phase turned around the corner."""

    order: Literal[1, 2] = Field(description="1: half a turn, 2: a whole turn.")
    corner_hz: Annotated[float, Field(gt=0, le=20_000)] = Field(description="Corner in Hz.")
    q: Annotated[float, Field(gt=0, le=20)] = Field(0.7071, description="Width, order 2 only.")


class SheetPassage(Section):
    """A stretch of the song in which a mic holds one polarity and one delay, or one even drift."""

    from_s: Annotated[float, Field(ge=0, le=1_000_000)] = Field(description="Where it begins, on the song's time line.")
    to_s: Annotated[float, Field(gt=0, le=1_000_000)] = Field(description="Where it ends: where the next begins.")
    delay_samples: Samples = Field(description="Of the mic where the passage begins; positive: it is LATE.")
    polarity: Literal["normal", "inverted"] = Field(description="normal: as recorded. inverted: flipped.")
    ppm: Annotated[float, Field(ge=-1000, le=1000)] = Field(
        0.0, description="How the delay grows from there: samples a million samples; negative: it shrinks."
    )

    @property
    def passage(self) -> Passage:
        """The record that a decision holds."""
        return Passage(self.from_s, self.to_s, self.delay_samples, -1 if self.polarity == "inverted" else 1, self.ppm)


class SheetEntry(Section):
    """What is done to one mic of one performance."""

    polarity: Literal["normal", "inverted"] = Field(description="normal: as recorded. inverted: flipped.")
    delay_samples: Samples = Field(description="Positive: the mic is LATE and is advanced by that much.")
    sum: bool = Field(True, description="Whether the mic is part of the sum.")
    arrival_samples: Samples | None = Field(
        None, description="When the mic hears the guitar after the reference; times the gate of a room mic."
    )
    rotation: SheetRotation | None = Field(None, description="All-pass on this mic.")
    passages: tuple[SheetPassage, ...] = Field(
        (),
        description="Of a mic that changes in the song, one after the other, from 0 s to its end.",
        max_length=10_000,
    )
    sha256: str | None = Field(
        None, description="Hash of the samples the decision was made on.", pattern=r"^[0-9a-f]{64}$"
    )


class Sheet(Section):
    """An alignment sheet, format 1."""

    sheet: Literal[1] = Field(description="The sheet's format; always 1.")
    song: str | None = Field(None, description="The song it was made for; for people.")
    rate: Annotated[int, Field(ge=1, le=1_000_000)] = Field(description="Sample rate of the tracks.")
    reference: Name = Field(description="The mic that stays.")
    performances: dict[Name, dict[Name, SheetEntry]] = Field(description="Decisions by performance and mic.")
    gates: dict[Name, tuple[GateSpan, ...]] = Field(
        default_factory=dict, description="When the guitar plays, [start, stop] in seconds, by performance."
    )

    def entries(self) -> Iterator[tuple[str, str, SheetEntry]]:
        """(performance, mic, entry) of every decision."""
        for performance, mics in self.performances.items():
            for mic, entry in mics.items():
                yield performance, mic, entry

    @property
    def sha256(self) -> str:
        """Hash of what the sheet says; comments and layout do not count."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()
