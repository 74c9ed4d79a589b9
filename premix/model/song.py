"""A song as one frozen tree: Song > Performance > Mic, with every setting resolved, and what the stages found.

The recipe room makes it, the tracks stage puts the files beside the mics, and each stage after that gives a copy with
its own records added. Gains are linear, polarity and mute are fields of their own, exceptions, groups and defaults are
filled in: nobody looks a setting up or works it out again.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from premix.errors import Finding
from premix.messages import STAGES
from premix.model.alignment import DelayParts, Efficiency, MicDecision, MicTrail, Passage
from premix.model.gate import Curve, Riff, RoomGate, Span
from premix.model.set_up import SetUpPrint, Shift
from premix.model.settings import AlignmentSettings, Chain, Delay, Deliver, Gate, Limits, Role, WidthLimit
from premix.model.tracks import Agreed, DiMatch, KeyEnvelopes, RollCall, Spectra, Track, TrackLevels, Windows
from premix.units import samples_to_cm


class _NotYet:
    """Stands in a record's place until its stage has run; asking it anything is a bug."""

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):  # what copying and pickling ask
            raise AttributeError(name)
        raise RuntimeError(f"'{name}' was asked for before its stage has run")


NOT_YET: Any = _NotYet()


@dataclass(frozen=True, slots=True, kw_only=True)
class Mic:
    """One mic of one performance.

    bus: where it is sent: its own, its group's or its performance's. group: the group that makes it part of a stem of
    its own. channel: of its file, counted from 1, or 'mix'; None: the file has one. gain: linear, that of its groups
    included. polarity: 1 or -1 by hand, None: to be found. delay: as the recipe says it, its default by role filled in.
    gate: the settings of a room mic's gate; stem_gate: of a close mic's own, None where it has none. aliases, file,
    optional: how its file is named, and whether it may be missing. Added by the stages: track; steps (passages against
    the longest, through which a mic is read that changes in the song); presence (share of the riff in which it is there
    at all); levels; match (of a DI); decision; room (a room mic's gate); stem_curve (of a close mic with a gate);
    delay_parts (of a sub mic whose distance can be told).
    """

    performance: str
    name: str
    role: Role
    bus: str
    gain: float
    mute: bool
    polarity: Literal[1, -1] | None
    delay: Delay
    high_pass_hz: float | None = None
    low_pass_hz: float | None = None
    chain: Chain = ()
    gate: Gate | None = None
    stem_gate: Gate | None = None
    aliases: tuple[str, ...] = ()
    file: str | None = None
    optional: bool = False
    group: str | None = None
    channel: int | Literal["mix"] | None = None
    track: Track = NOT_YET
    steps: tuple[Passage, ...] = ()
    presence: float = 1.0
    levels: TrackLevels = NOT_YET
    match: DiMatch = NOT_YET
    decision: MicDecision = NOT_YET
    delay_parts: DelayParts | None = None
    room: RoomGate = NOT_YET
    stem_curve: Curve | None = None

    @property
    def label(self) -> str:
        """'left_a/ribbon': what messages call it."""
        return f"{self.performance}/{self.name}"

    @property
    def is_room(self) -> bool:
        return self.role == "room"

    @property
    def is_di(self) -> bool:
        """Whether it is the guitar's own signal, before the amp: never summed, never moved."""
        return self.role == "di"

    @property
    def arrival_samples(self) -> float | None:
        """How much later than the key it hears the guitar, as it is mixed; None: not known."""
        found = self.decision.arrival_samples
        return None if found is None else found - self.decision.delay_samples


@dataclass(frozen=True, slots=True, kw_only=True)
class Performance:
    """One pass of the guitarist: its mics in the recipe's order, its linear gain, the bus it goes to.

    reference: the mic that stays where it was recorded: the song's, or the first close mic where that is not here.
    heard: neither it nor every bus that its mics go to is muted. spans: when it plays, by hand, (on_s, off_s). Added by
    the stages: spectra, envelopes (of the close mics), di_envelopes (of the DIs, in the same band and frames), agreed
    (how the close mics agree through the song; None: fewer than two to compare), efficiency, steadiness (a trail of
    every mic that was followed through the song), riff, set_up (its print;
    None: too little riff to tell).
    """

    name: str
    reference: str
    bus: str
    gain: float
    mute: bool
    heard: bool
    chain: Chain
    mics: tuple[Mic, ...]
    aliases: tuple[str, ...] = ()
    optional: bool = False
    spans: tuple[Span, ...] | None = None
    spectra: Spectra = NOT_YET
    windows: Windows | None = None
    envelopes: KeyEnvelopes = NOT_YET
    di_envelopes: KeyEnvelopes = NOT_YET
    agreed: Agreed | None = None
    efficiency: Efficiency = NOT_YET
    steadiness: tuple[MicTrail, ...] = ()
    riff: Riff = NOT_YET
    set_up: SetUpPrint | None = None

    @property
    def close(self) -> tuple[Mic, ...]:
        """The mics that a stem is made of (roles close and sub), muted ones too."""
        return tuple(mic for mic in self.mics if mic.role in ("close", "sub"))

    @property
    def dis(self) -> tuple[Mic, ...]:
        """DIs: delivered as they were recorded, and a key for the gate; in no sum."""
        return tuple(mic for mic in self.mics if mic.is_di)

    @property
    def rooms(self) -> tuple[Mic, ...]:
        return tuple(mic for mic in self.mics if mic.is_room)

    @property
    def judged(self) -> tuple[Mic, ...]:
        """Close mics, then rooms: the order of spectra and decisions."""
        return self.close + self.rooms

    @property
    def steps(self) -> bool:
        """Whether a mic changes in the song and is read through its steps."""
        return any(mic.steps for mic in self.mics)

    def mic(self, name: str) -> Mic | None:
        """The mic of that name, None where this performance has none."""
        return next((mic for mic in self.mics if mic.name == name), None)


@dataclass(frozen=True, slots=True)
class Bus:
    """One bus: linear gain, pan from -1 to 1, and the linear pan gains of left and right."""

    name: str
    gain: float
    pan: float
    left: float
    right: float
    mute: bool = False
    chain: Chain = ()


@dataclass(frozen=True, slots=True)
class GuitarBus:
    """All buses, stereo: linear gain, width (gain of the side signal).

    limit: what the width may cost; `width` is 1 until the mix was measured, then the widest that keeps it.
    """

    gain: float
    width: float
    chain: Chain = ()
    limit: WidthLimit | None = None


@dataclass(frozen=True, slots=True)
class PlacedChain:
    """A chain as the recipe writes it: where it stands, and the path of its key ('groups.bright.chain')."""

    chain: Chain
    place: Literal["mic", "performance", "bus", "guitar_bus"]
    path: str


@dataclass(frozen=True, slots=True)
class RecipeEntry:
    """The recipe that was followed, as documents for programs tell it.

    merged: plain data, defaults not filled in. origins: 'mics.sub.gain_db' -> 'house.yaml:7:9' or '--set'; what is
    absent is a default. sha256: of the canonical JSON of the whole recipe, all defaults filled in.
    """

    merged: dict[str, Any]
    origins: dict[str, str]
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """Everything that is known of a song so far.

    name: '' where the recipe gives none, until the folder's is taken. reference: the mic that stays where it was
    recorded. gate: the settings of the recipe's own gate (those of a mic stand with it). track_pattern: how the files
    are named. resample: whether files at another rate are converted. chains, corners: every chain and filter corner
    ('mics.sub.low_pass_hz', Hz) as the recipe has them, for what must be told of them. findings: the run's one list, in
    the order of the stages.
    Added by the tracks stage: roll_call, folder, rate, frames (the common length), time_reference (BWF start of the
    common time line in samples since midnight, None where no file has one). against_approved: each mic against an
    approved set-up, where one was given.
    """

    name: str
    performances: tuple[Performance, ...]
    buses: tuple[Bus, ...]
    guitar_bus: GuitarBus
    reference: str
    alignment: AlignmentSettings
    gate: Gate
    deliver: Deliver
    limits: Limits
    recipe: RecipeEntry
    track_pattern: str = ""
    resample: bool = False
    chains: tuple[PlacedChain, ...] = ()
    corners: tuple[tuple[str, float], ...] = ()
    findings: tuple[Finding, ...] = ()
    roll_call: RollCall = NOT_YET
    folder: Path = NOT_YET
    rate: int = NOT_YET
    frames: int = NOT_YET
    time_reference: int | None = None
    against_approved: tuple[Shift, ...] = ()

    @property
    def mics(self) -> tuple[Mic, ...]:
        """All mics of all performances, in order."""
        return tuple(mic for performance in self.performances for mic in performance.mics)

    @property
    def judged(self) -> tuple[Mic, ...]:
        """All mics, in every performance its close mics before its rooms."""
        return tuple(mic for performance in self.performances for mic in performance.judged)

    @property
    def file_rate(self) -> int:
        """Sample rate of the delivered files."""
        return self.rate if self.deliver.rate == "keep" else self.deliver.rate

    def performance(self, name: str) -> Performance:
        return next(performance for performance in self.performances if performance.name == name)

    def bus(self, name: str) -> Bus:
        return next(bus for bus in self.buses if bus.name == name)

    def way_cm(self, mic: Mic) -> float | None:
        """How far a mic stands behind the reference, by its delay; None for a sub mic whose band-pass hides it."""
        if mic.delay_parts is not None:
            return mic.delay_parts.distance_cm
        if mic.role == "sub" and mic.decision.delay_samples != 0.0:
            return None
        return samples_to_cm(mic.decision.delay_samples, self.rate, self.alignment.temperature_c)

    def tell(self, *findings: Finding) -> "Song":
        """The song with findings added to the run's list, each once."""
        return replace(self, findings=tuple(dict.fromkeys((*self.findings, *findings))))

    def told_by(self, *stages: str) -> tuple[Finding, ...]:
        """The findings of some stages, by the table of messages."""
        return tuple(finding for finding in self.findings if any(finding.slug in STAGES[stage] for stage in stages))

    def with_mics(self, change: Callable[[Mic], Mic]) -> "Song":
        """The song with every mic changed."""
        return replace(
            self, performances=tuple(replace(p, mics=tuple(change(mic) for mic in p.mics)) for p in self.performances)
        )


@dataclass(frozen=True, slots=True)
class Variant:
    """Another blend of a song: its name, what it changes of the recipe, and the tree of the recipe so changed.

    restated: the mics whose polarity or delay it states.
    """

    name: str
    changes: dict[str, Any]
    restated: frozenset[str]
    song: Song
