"""The manifest: everything a run decided, measured and wrote, for programs. Format 1.

Format history: 1, the first. Readers may rely on the keys of a format; later versions only add keys. The names of the
fields are the keys, in the order they are written in. What stands with a default here may be missing in the manifest
of an earlier version. No clock and no absolute path stands in it, so the same run writes the same manifest.

What `align` and `inspect` tell programs is made of the same entries, before anything is rendered.
"""

from dataclasses import dataclass
from typing import Any, Literal

from premix.errors import Problem
from premix.model.alignment import BandEfficiency, DelayParts, MicDecision, MicShare
from premix.model.findings import FindingEntry
from premix.model.gate import Span
from premix.model.mix import ChainFile, Lean, LevelReached, MonoEntry, OnsetSpread, PartKind, TakePair
from premix.model.set_up import SetUp
from premix.model.song import RecipeEntry
from premix.model.tracks import DiMatch, Hum, RollCall

FORMAT = 1
COMPARISON_FORMAT = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class UsedSheet:
    """The alignment sheet that was given: hash of what it says."""

    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HumEntry:
    """Mains hum of a track while nobody plays: 50 or 60 Hz; level of all its lines together."""

    mains_hz: float
    rms_dbfs: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class InputEntry:
    """One recorded track. path: below the tracks folder. sha256: of its samples, as little-endian bytes.

    start_samples: silence before its first sample on the common time line. time_reference: BWF start in samples since
    midnight. recovered: its header was wrong and it was read by what is there. channel: of the file, counted from 1,
    'mix' for the mean of all. rate: the file's own; frames: at that rate. clipped_runs: stretches at full scale.
    """

    performance: str
    mic: str
    path: str
    sha256: str
    frames: int
    container: str
    subtype: str
    start_samples: int
    time_reference: int | None
    channel: int | Literal["mix"] = 1
    rate: int | None = None
    recovered: bool = False
    sample_peak_dbfs: float | None
    rms_dbfs: float | None
    hum: HumEntry | None = None
    clipped_runs: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionEntry(MicDecision):
    __doc__ = (
        f"{MicDecision.__doc__} delay_ms, distance_cm: delay_samples as time, and how far sound goes in it. "
        "A steady mic has one passage here, the whole song. "
        "delay_parts: of a sub mic, what the delay is made of; None: not told."
    )

    delay_ms: float
    distance_cm: float
    delay_parts: DelayParts | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class EfficiencyEntry:
    """Sum efficiency of one performance in dB, as recorded and as decided: 40 Hz to 6 kHz, and to 10 kHz.

    without: with one mic back to as recorded, by its name. bands: by third octave. worst_passage: of the 2 s of riff in
    which the sum as decided is worst, and worst_passage_s: from where to where on the song's time line.
    """

    performance: str
    before: float | None
    after: float | None
    before_10k: float | None = None
    after_10k: float | None = None
    without: dict[str, float | None]
    bands: tuple[BandEfficiency, ...] = ()
    worst_passage: float | None = None
    worst_passage_s: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SharesEntry:
    """What the close mics of one performance do in its sum."""

    performance: str
    mics: tuple[MicShare, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FileEntry:
    """One audio file. path: below the output folder. sha256: of its samples, as little-endian bytes. size_bytes: of the
    file.

    group: whose own stem it is. overs: samples that had to be clipped. gain_to_bus_db: at which it is added to its bus,
    or a bus to the guitar bus.
    Peaks in dBFS and dBTP, loudness in LUFS (ITU-R BS.1770), rms by AES17: a full-scale sine reads 0 dBFS. dc: mean,
    of the worse channel. None: nothing to measure.
    """

    part: str
    kind: PartKind
    performance: str | None
    mic: str | None
    bus: str | None
    path: str
    channels: int
    frames: int
    rate: int
    bits: int
    sha256: str
    group: str | None = None
    overs: int = 0
    gain_to_bus_db: float | None = None
    sample_peak_dbfs: float | None
    true_peak_dbtp: float | None
    loudness_lufs: float | None
    short_term_max_lufs: float | None = None
    crest_db: float | None = None
    dc: float | None = None
    momentary_max_lufs: float | None = None
    loudness_range_lu: float | None = None
    rms_dbfs: float | None = None
    size_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BusEntry:
    """One bus: gain in dB, pan, and the linear gains of left and right that the pan stands for.

    plain_sum: whether it is the sum of its stems and rooms at their gains; a chain makes it another.
    """

    bus: str
    gain_db: float | None
    pan: float
    left_gain: float
    right_gain: float
    plain_sum: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class GuitarBusEntry:
    """The guitar bus: width, and whether it is the sum of the panned buses (a chain makes it another).

    gain_db: at which that sum is added up from the files of the buses; 0 where they hold the guitar bus's gain.
    """

    gain_db: float | None
    width: float
    plain_sum: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class GateEntry:
    """When the guitar plays in one performance, and the gate of one of its room mics (mic None: it has none).

    riff, open: (on_s, off_s). loud_db: the loud level of the riff's key, dB re full scale; threshold_db: relative to
    it. reduction_db: how much quieter the room is in the stops.
    """

    riff: tuple[Span, ...]
    performance: str
    stops: int
    loud_db: float | None
    threshold_db: float | None
    threshold_auto: bool
    open: tuple[Span, ...] = ()
    mic: str | None = None
    mode: str | None = None
    reduction_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DiEntry(DiMatch):
    __doc__ = f"{DiMatch.__doc__} performance, mic: which DI."

    performance: str
    mic: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """A render. time_reference: BWF start of the common time line. mono_without_centre: the guitar bus without buses
    in the middle, None where that says nothing. balance: in_files where stems, rooms and buses hold the gains of their
    bus and of the guitar bus. level: before the extra trim. trim_db: of all files; extra_trim_db: its share that
    was asked for.
    setup: each mic against the reference, as `premix setups` compares it; None: too little riff to tell. written: every
    file of the output folder, so that a later run knows what it may replace.
    """

    format: int
    premix: str
    libraries: dict[str, str]
    song: str
    recipe: RecipeEntry
    sheet: UsedSheet | None = None
    rate: int
    frames: int
    time_reference: int | None = None
    inputs: tuple[InputEntry, ...]
    alignment: tuple[DecisionEntry, ...]
    sum_efficiency_db: tuple[EfficiencyEntry, ...]
    shares: tuple[SharesEntry, ...] = ()
    files: tuple[FileEntry, ...]
    buses: tuple[BusEntry, ...] = ()
    guitar_bus: GuitarBusEntry | None = None
    chain_files: tuple[ChainFile, ...] = ()
    mono: MonoEntry | None
    mono_without_centre: MonoEntry | None = None
    onset_spread: tuple[OnsetSpread, ...] = ()
    takes: tuple[TakePair, ...] = ()
    lean: Lean | None = None
    balance: Literal["in_files", "in_sheet"] = "in_sheet"
    level: LevelReached | None = None
    trim_db: float
    extra_trim_db: float = 0.0
    findings: tuple[FindingEntry, ...]
    gate: tuple[GateEntry, ...]
    dis: tuple[DiEntry, ...] = ()
    roll_call: RollCall | None = None
    setup: SetUp | None = None
    written: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class VariantEntry:
    """One variant of a comparison: what it changes in the recipe, its file, and its gain to the common loudness."""

    variant: str
    changes: dict[str, Any]
    path: str
    frames: int
    bits: int
    sha256: str
    gain_db: float
    loudness_before_lufs: float | None
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    sample_peak_dbfs: float | None
    crest_db: float | None
    size_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparisonManifest:
    """A comparison. matched_lufs: loudness that every variant got, None where none could be measured."""

    format: int
    kind: Literal["comparison"]
    premix: str
    song: str
    recipe: RecipeEntry
    rate: int
    matched_lufs: float | None
    variants: tuple[VariantEntry, ...]
    chain_files: tuple[ChainFile, ...] = ()
    findings: tuple[FindingEntry, ...]
    written: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentDocument:
    """What `align --json` prints."""

    rate: int
    alignment: tuple[DecisionEntry, ...]
    sum_efficiency_db: tuple[EfficiencyEntry, ...]
    shares: tuple[SharesEntry, ...] = ()
    findings: tuple[FindingEntry, ...]
    roll_call: RollCall | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LookEntry:
    """One track at first sight. sample_peak: largest |x|. noise_floor_dbfs: its quietest tenth stays under it."""

    performance: str
    mic: str
    path: str
    frames: int
    rate: int
    subtype: str
    start_samples: int
    sha256: str
    sample_peak: float | None
    loudness_lufs: float | None
    noise_floor_dbfs: float | None
    hum: Hum | None


@dataclass(frozen=True, slots=True, kw_only=True)
class IntakeDocument:
    """What `inspect --json` prints: what was found in the tracks folder; problems: what would stop a render."""

    recipe: RecipeEntry
    song: str
    rate: int
    frames: int
    inputs: tuple[LookEntry, ...]
    problems: tuple[Problem, ...]
    findings: tuple[FindingEntry, ...]
    roll_call: RollCall | None = None
