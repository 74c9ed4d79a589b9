"""The mix as a plan, what was measured of it, and the finished run."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, Protocol

from premix.errors import Finding
from premix.model.alignment import AllPass, Passage
from premix.model.gate import Curve, Span
from premix.model.settings import REST, Chain
from premix.model.song import Bus, GuitarBus, Song, Variant
from premix.model.tracks import Track


class Followed(Protocol):
    """What the alignment was told to follow: a sheet, or an approved set-up."""

    @property
    def sha256(self) -> str:
        """Hash of what it says."""


@dataclass(frozen=True, slots=True)
class OnsetSpread:
    """Spread of the matched onsets of two performances. Nothing is ever moved by it.

    onsets_a, onsets_b: how many each has; matched: pairs within the matching window.
    median_ms, p90_ms: of |difference|; offset_ms: median difference, positive when b is late.
    None where no onset matches.
    """

    performance_a: str
    performance_b: str
    onsets_a: int
    onsets_b: int
    matched: int
    median_ms: float | None
    p90_ms: float | None
    offset_ms: float | None


@dataclass(frozen=True, slots=True)
class TakePair:
    """Likeness of two performances' stems: the largest normalised cross-correlation within the search.

    correlation: -1 to 1, its sign kept; lag_ms: positive when b is late; same_take: |correlation| or coherence is above
    what two real performances of a part can reach. coherence: 0 to 1, whatever the phase; None: the song is too short.
    """

    performance_a: str
    performance_b: str
    correlation: float
    lag_ms: float
    same_take: bool
    coherence: float | None = None


@dataclass(frozen=True, slots=True)
class Lean:
    """How the left side differs from the right in dB by third octave; positive: the left is louder.

    rms_db: over the bands. worst_hz, worst_db: the band that differs most. heavier: the side that is louder as a whole,
    by whole_db. bands_db: at centres_hz; None where a side holds nothing.
    """

    rms_db: float
    worst_hz: float
    worst_db: float
    heavier: Literal["left", "right", "even"]
    whole_db: float
    centres_hz: tuple[float, ...]
    bands_db: tuple[float | None, ...]


PartKind = Literal["stem", "room", "bus", "guitar_bus", "aligned_mic", "di"]


@dataclass(frozen=True, slots=True)
class MicPath:
    """How one track gets into its stem (or room): gain is linear, polarity 1 or -1; delay_samples > 0 advances it.

    curve: the gate of a room mic. passages: of a mic whose delay or polarity changes in the song. bus: where it is sent
    (None: where its performance goes). group: the group with a stem of its own that it is in. gate: that of a close
    mic, at the head of its path. proved: whether all samples of the track are hashed while the mix reads them.
    """

    track: Track
    gain: float
    polarity: int = 1
    delay_samples: float = 0.0
    high_pass_hz: float | None = None
    low_pass_hz: float | None = None
    rotation: AllPass | None = None
    chain: Chain = ()
    curve: Curve | None = None
    gate: Curve | None = None
    passages: tuple[Passage, ...] = ()
    bus: str | None = None
    group: str | None = None
    proved: bool = False


@dataclass(frozen=True, slots=True)
class StemPlan:
    """One stem of a performance: its close mics, the bus it goes to, and what its part is called after 'stem_'."""

    label: str
    group: str | None
    bus: str
    close: tuple[MicPath, ...]


@dataclass(frozen=True, slots=True)
class PerformancePlan:
    """One performance: its close mics, its rooms, its gain (linear) and the bus it goes to.

    unheard: its other mics; they may still be the key of a processor. riff: when it plays, (on_s, off_s). dis: those
    of the unheard that are delivered as they are.
    """

    performance: str
    bus: str
    gain: float
    close: tuple[MicPath, ...]
    rooms: tuple[MicPath, ...]
    chain: Chain = ()
    unheard: tuple[MicPath, ...] = ()
    riff: tuple[Span, ...] = ()
    dis: tuple[MicPath, ...] = ()

    @property
    def stems(self) -> tuple[StemPlan, ...]:
        """The one stem of all close mics; or one a group with a stem of its own, and last the rest."""
        apart = dict.fromkeys(path.group for path in self.close if path.group is not None)
        if not apart and all(path.group is None for path in self.unheard):
            return (StemPlan(self.performance, None, self.bus, self.close),)
        members = {group: tuple(path for path in self.close if path.group == group) for group in (*apart, None)}
        return tuple(
            StemPlan(f"{self.performance}_{group or REST}", group, paths[0].bus or self.bus, paths)
            for group, paths in members.items()
            if paths
        )

    @property
    def buses(self) -> frozenset[str]:
        """Every bus that a stem or room of it goes to."""
        return frozenset((*(stem.bus for stem in self.stems), *(path.bus or self.bus for path in self.rooms)))

    @property
    def tracks(self) -> int:
        """How many tracks are read for it."""
        return len(self.mics) + len(self.dis)

    @property
    def mics(self) -> tuple[MicPath, ...]:
        """Every mic that is heard."""
        return self.close + self.rooms

    def room_label(self, mic: str) -> str:
        """What the parts of a room mic are called: the performance's name, and the mic's where it has several."""
        rooms = sum(
            path.curve is not None for path in (*self.rooms, *self.unheard)
        )  # those that a switch left out, too
        return self.performance if rooms == 1 else f"{self.performance}_{mic}"

    def di_label(self, mic: str) -> str:
        """The same of a DI."""
        return self.performance if len(self.dis) == 1 else f"{self.performance}_{mic}"


@dataclass(frozen=True, slots=True)
class ChainFile:
    """A file that a processor depends on: where ('mics.dynamic.chain[0].convolution.file'), its name, its hash."""

    where: str
    name: str
    sha256: str

    @property
    def is_plug_in(self) -> bool:
        """Whether it is native code that was run."""
        return self.where.endswith(".plug_in.file")


@dataclass(frozen=True, slots=True)
class MixPlan:
    """The whole mix of a song, resolved: no recipe look-ups are left to do.

    trim: common linear gain of every file. in_files: whether stems and rooms are written with the gains of their bus
    and of the guitar bus, and buses with that of the guitar bus.
    """

    song: str
    rate: int
    frames: int
    performances: tuple[PerformancePlan, ...]
    buses: tuple[Bus, ...]
    guitar_bus: GuitarBus
    room_in_stem: bool
    trim: float = 1.0
    chain_files: tuple[ChainFile, ...] = ()
    in_files: bool = False

    def held_gain(self, bus: str | None = None) -> float:
        """Linear gain, the trim left out, that the files of a bus's stems and rooms hold beyond their own gains; of no
        bus: that the files of the buses themselves hold."""
        if not self.in_files:
            return 1.0
        return self.guitar_bus.gain * next((own.gain for own in self.buses if own.name == bus), 1.0)

    @property
    def has_chain(self) -> bool:
        """Whether any processor is in the mix."""
        chains = [path.chain for p in self.performances for path in p.mics]
        chains += [p.chain for p in self.performances] + [bus.chain for bus in self.buses] + [self.guitar_bus.chain]
        return any(chains)


@dataclass(frozen=True, slots=True)
class Part:
    """One output file: part is unique ('stem_left_a', 'room_left_a', 'bus_left', 'guitars').

    gain_to_bus: linear gain at which this part is added to its bus (stems, rooms) or, before pan, to the
    guitar bus (buses); what the track sheet states. group: whose own stem it is.
    """

    part: str
    kind: PartKind
    channels: int
    performance: str | None = None
    mic: str | None = None
    bus: str | None = None
    gain_to_bus: float = 1.0
    group: str | None = None

    @property
    def is_levelled(self) -> bool:
        """Whether the common trim is for it and the ceiling holds it: a DI stays as it was recorded."""
        return self.kind != "di"


@dataclass(frozen=True, slots=True)
class PartMeasures:
    """What was measured of one output, after the trim, at the delivered rate.

    Peaks in dBFS/dBTP, loudness in LUFS (ITU-R BS.1770; a mono file is one channel, so it reads 3.01 LU below
    the same audio played as dual mono). rms_dbfs by AES17: a full-scale sine reads 0 dBFS. dc: mean, of the
    worse channel. None: nothing to measure (silence, or too short for the standard's gate).
    """

    part: str
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    loudness_lufs: float | None
    short_term_max_lufs: float | None
    crest_db: float | None
    dc: float
    momentary_max_lufs: float | None = None
    loudness_range_lu: float | None = None
    rms_dbfs: float | None = None


@dataclass(frozen=True, slots=True)
class BandFold:
    """Mono fold of the guitar bus in one third-octave band."""

    centre_hz: float
    fold_db: float


@dataclass(frozen=True, slots=True)
class MonoEntry:
    """The guitar bus as a stereo picture and in mono, in all and by third octave; None: nothing to measure.

    correlation: zero-lag, whole song; correlation_min: lowest of the windows that hold sound. fold_db: level of
    (L+R)/2 against the mean channel energy, 10 log10((1+rho)/2) at equal levels. side_mid_db: energy of (L-R)/sqrt2
    against (L+R)/sqrt2.
    """

    correlation: float | None = None
    correlation_min: float | None = None
    fold_db: float | None = None
    side_mid_db: float | None = None
    bands: tuple[BandFold, ...] = ()


@dataclass(frozen=True, slots=True)
class StereoMeasures(MonoEntry):
    """The same with the windows, (time_s, correlation), which the report draws."""

    windows: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class RoomQuiet:
    """How much quieter the gate made one room mic in the stops, measured: mean of the levels of 480-sample frames
    before minus after, in dB."""

    performance: str
    mic: str
    stops: int
    reduction_db: float | None


@dataclass(frozen=True, slots=True)
class WrittenFile:
    """One file that was written; the hash is of its samples (little-endian, own bit depth, interleaved)."""

    part: Part
    path: str
    frames: int
    bits: int
    sha256: str
    overs: int
    measures: PartMeasures
    size_bytes: int | None = None


@dataclass(frozen=True, slots=True)
class LevelReached:
    """The level of a delivery: by which figure it is set, what was asked, and what it is; None: not measured.

    ceiling_dbtp: the highest true peak of any file; loudness_lufs: of the guitar bus; peak_dbfs: the highest sample.
    """

    by: Literal["ceiling_dbtp", "loudness_lufs", "peak_dbfs"]
    asked: float
    found: float | None


@dataclass(frozen=True, slots=True)
class Rendering:
    """What the mixdown left: files and measures.

    trim_db: the common trim that was applied (0: none). extra_trim_db: the part of it that was asked for, so that
    songs sit together; the rest keeps the files under the ceiling. hashes: of the samples of the tracks that were to be
    proved, by 'performance/mic'. lean: of the left side against the right; None where there are not two.
    """

    files: tuple[WrittenFile, ...]
    stereo: StereoMeasures | None
    stereo_without_centre: StereoMeasures | None
    room_quiet: tuple[RoomQuiet, ...]
    trim_db: float = 0.0
    onset_spread: tuple[OnsetSpread, ...] = ()
    takes: tuple[TakePair, ...] = ()
    extra_trim_db: float = 0.0
    level: LevelReached | None = None
    hashes: tuple[tuple[str, str], ...] = ()
    lean: Lean | None = None


@dataclass(frozen=True, slots=True)
class Rendered:
    """A finished run: the song with all that its stages found, the plan as it was mixed, and what came out."""

    song: Song
    plan: MixPlan
    rendering: Rendering
    sheet: Followed | None = None


@dataclass(frozen=True, slots=True)
class MatchedTake:
    """A variant as it was written: its file, its gain, and its loudness before (None: too soft to be measured)."""

    variant: Variant
    file: WrittenFile
    gain_db: float
    loudness_before_lufs: float | None


@dataclass(frozen=True, slots=True)
class Matched:
    """All variants, and the loudness that each of them got; None where none could be measured."""

    takes: tuple[MatchedTake, ...]
    level_lufs: float | None

    def findings(self) -> Iterator[Finding]:
        """A word on each that could not be matched."""
        what = "nothing in it is loud enough to be measured; it is not matched"
        for take in self.takes:
            if take.loudness_before_lufs is None:
                yield Finding("comparison-silent", "warning", f"variant {take.variant.name}", what)
            elif self.level_lufs is not None and self._softer_by(take) > _SOFTER_DB:
                soft = f"{self._softer_by(take):.1f} dB softer than the others: its peaks allow no more"
                yield Finding("comparison-softer", "warning", f"variant {take.variant.name}", soft)

    def _softer_by(self, take: MatchedTake) -> float:
        return (self.level_lufs or 0.0) - (take.loudness_before_lufs or 0.0) - take.gain_db


_SOFTER_DB = 0.05
"""Less than that nobody is told of."""
