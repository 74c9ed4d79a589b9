"""The recipe (format 1) as a frozen, validated record: what the YAML may say and what it means.

The sections that stages go by as they stand (alignment, gate, deliver, limits) are in `premix.model.settings`. Field
descriptions, ranges, defaults and examples here and there are the one source of the JSON Schema, of the messages'
"allowed" and of the recipe reference.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, WithJsonSchema

from premix.model.settings import (
    CENTRE_BUS,
    Alias,
    AlignmentSettings,
    Auto,
    Chain,
    Channel,
    Delay,
    Deliver,
    GainDb,
    Gate,
    GateKey,
    GateMode,
    GateSpan,
    HysteresisDb,
    Hz,
    Limits,
    LookaheadMs,
    Name,
    OpenFor,
    Polarity,
    RangeDb,
    Ratio,
    Role,
    Section,
    ThresholdDb,
    TimeMs,
    WidthLimit,
)
from premix.model.song import RecipeEntry

PAN_LAWS_DB = (0.0, -3.0, -4.5, -6.0)


def _a_pan_law(value: float) -> float:
    if value not in PAN_LAWS_DB:
        raise ValueError("no pan law")
    return value


FormatNumber = Annotated[int, Field(ge=1, le=1), WithJsonSchema({"const": 1, "type": "integer"})]
"""A bounded int rather than a Literal: `true` equals 1, and a Literal would let it pass."""
Width = Annotated[float, Field(ge=0, le=2)]
PanLawDb = Annotated[float, AfterValidator(_a_pan_law), WithJsonSchema({"enum": [0, -3, -4.5, -6], "type": "number"})]
_CHAIN_EXAMPLE = [{"high_pass": {"cutoff_hz": 80}}]


class Tracks(Section):
    """How the files are named."""

    name: str = Field(
        "{performance}_{mic}.*",
        description="Pattern of a track's file name (or path below the folder): {performance}, {mic}, "
        "{song}, * and ?. Case and Unicode form are ignored; exactly one file must fit each track.",
        examples=["{performance}_{mic}.wav", "{song}/GTR {performance} {mic}*.wav"],
        min_length=1,
        max_length=400,
    )
    resample: bool = Field(
        False,
        description="Convert files whose sample rate is not the one that most have (soxr, very high quality), and tell "
        "it in the track sheet. Without it they are refused.",
        examples=[True],
    )


class GateOverrides(Section):
    """Gate settings of one room mic; what is absent is taken from the recipe's `gate:`."""

    mode: GateMode | None = Field(None, description="As gate.mode.", examples=["off"])
    key: GateKey | None = Field(None, description="As gate.key.", examples=["all"])
    threshold_db: Auto | ThresholdDb | None = Field(None, description="As gate.threshold_db.", examples=[-30])
    hysteresis_db: HysteresisDb | None = Field(None, description="As gate.hysteresis_db.", examples=[6])
    attack_ms: TimeMs | None = Field(None, description="As gate.attack_ms.", examples=[2])
    hold_ms: TimeMs | None = Field(None, description="As gate.hold_ms.", examples=[80])
    release_ms: TimeMs | None = Field(None, description="As gate.release_ms.", examples=[120])
    range_db: RangeDb | None = Field(None, description="As gate.range_db.", examples=[24])
    lookahead_ms: LookaheadMs | None = Field(None, description="As gate.lookahead_ms.", examples=[5])
    ratio: Ratio | None = Field(None, description="As gate.ratio.", examples=[3])
    invert: bool | None = Field(None, description="As gate.invert.", examples=[True])
    open_for: OpenFor | None = Field(None, description="As gate.open_for.", examples=["all"])


class PerformanceGate(Section):
    """What is said of the gate in one performance."""

    spans: tuple[GateSpan, ...] = Field(
        description="When the guitar plays, [start, stop] in seconds as the close mics hear it, instead of what would "
        "be found: the rooms open and shut by it, with the room's own arrival, lookahead and hold as always. The "
        "manifest (`gate.riff`) and the alignment sheet hold what was found, to copy and correct.",
        examples=[[[0.5, 12.25], [14, 31.5]]],
        min_length=1,
        max_length=100_000,
    )


class Mic(Section):
    """One microphone of the set-up, the same in every performance."""

    role: Role = Field(
        "close",
        description="close: summed into the stem. sub: a low-frequency mic, summed too and judged in its own "
        "band. room: the far mic, gated, never part of the alignment's sum. di: the guitar before the amp: never "
        "summed, never moved, delivered as it is for re-amping.",
        examples=["room"],
    )
    bus: Name | None = Field(
        None,
        description="Of a room mic: a bus of its own instead of its performance's. Two room mics on room_left and "
        "room_right are a stereo room.",
        examples=["room_left"],
    )
    channel: Channel | None = Field(
        None,
        description="The channel of a file that has several: its number, left (1), right (2), or mix (the mean of "
        "all). Two mics may share one file, by the same alias, with a channel each.",
        examples=["left", "mix"],
    )
    gain_db: GainDb = Field(
        0.0,
        description="Level of this mic in its stem: the colour of the sound is the balance of the mics.",
        examples=[-3],
    )
    mute: bool = Field(False, description="Leave this mic out of the sum; it is still checked.", examples=[True])
    polarity: Polarity = Field(
        "auto",
        description="auto: found from the audio. normal: as recorded. inverted: flipped. A wrong polarity "
        "hollows out the sum.",
        examples=["inverted"],
    )
    delay: Delay | None = Field(
        None,
        description="auto: found from the audio (default of close and sub mics). none: as recorded (default "
        "of room mics: their distance is the sound). Or by hand: {ms:}, {samples:} or {cm:}; positive: the "
        "mic is LATE and is advanced by that much. Mics that are late comb-filter the sum.",
        examples=["auto", "none", {"ms": 0.35}, {"cm": 12}],
    )
    high_pass_hz: Hz | None = Field(
        None,
        description="Removes rumble below this frequency: second-order Butterworth, 12 dB per octave.",
        examples=[60],
    )
    low_pass_hz: Hz | None = Field(
        None,
        description="Keeps a sub mic to the lows: second-order Butterworth, 12 dB per octave; the "
        "alignment is solved with the filter in place.",
        examples=[180],
    )
    chain: Chain = Field((), description="Processors on this mic, before the sum, in order.", examples=[_CHAIN_EXAMPLE])
    gate: GateOverrides | None = Field(
        None,
        description="Gate settings of this room mic alone; what is absent is taken from the recipe's gate.",
        examples=[{"hold_ms": 80}],
    )
    stem_gate: GateOverrides | None = Field(
        None,
        description="Gates this close mic too, before the sum, to keep its noise out of the stops; what is absent is "
        "taken from the recipe's gate. Default: not gated.",
        examples=[{"range_db": 20}],
    )
    aliases: tuple[Alias, ...] = Field(
        (), description="Other names of this mic in file names.", examples=[["rib", "rbn"]]
    )
    optional: bool = Field(False, description="The mic may be missing in a song (not the reference).", examples=[True])


class MicException(Section):
    """What differs for one mic in one performance; what is absent stays as the mic says."""

    gain_db: GainDb | None = Field(
        None, description="Level of this mic in this stem, instead of the mic's own.", examples=[-6]
    )
    mute: bool | None = Field(None, description="Leave this mic out of this performance's sum.", examples=[True])
    polarity: Polarity | None = Field(
        None, description="As the mic's polarity, for this performance alone.", examples=["inverted"]
    )
    delay: Delay | None = Field(
        None, description="As the mic's delay, for this performance alone.", examples=[{"samples": 16.8}]
    )
    bus: Name | None = Field(None, description="As the room mic's bus, for this performance alone.", examples=["wide"])
    channel: Channel | None = Field(
        None, description="As the mic's channel, for this performance alone.", examples=["right"]
    )
    file: str | None = Field(
        None,
        description="This track's file, relative to the tracks folder, instead of the name pattern.",
        examples=["takes/left 1 rbn again.wav"],
        min_length=1,
        max_length=400,
    )
    optional: bool | None = Field(None, description="Whether this track may be missing in a song.", examples=[True])


class GroupException(Section):
    """What differs for a group of mics in one performance; what is absent stays as the group says."""

    bus: Name | None = Field(
        None, description="The bus of the group's own stem, for this performance alone.", examples=["right"]
    )
    gain_db: GainDb | None = Field(
        None, description="Gain added to each mic of the group, instead of the group's own.", examples=[-3]
    )
    mute: bool | None = Field(None, description="Leave the group's mics out of this performance.", examples=[True])


class Performance(Section):
    """One pass of the guitarist through the part."""

    bus: Name = Field(description="The bus this performance is sent to: the side it is heard on.", examples=["left"])
    gain_db: GainDb = Field(0.0, description="Level of the stem and its rooms in the bus.", examples=[-2])
    mute: bool = Field(
        False, description="Leave this performance out of its bus; its stem is not rendered.", examples=[True]
    )
    mics: dict[Name, MicException] = Field(
        default_factory=dict,
        description="Per-performance exceptions, by mic name.",
        examples=[{"ribbon": {"mute": True}}],
    )
    groups: dict[Name, GroupException] = Field(
        default_factory=dict,
        description="Per-performance exceptions, by the name of a group.",
        examples=[{"amp_a": {"bus": "right"}}],
    )
    chain: Chain = Field(
        (),
        description="Processors on the stem, after the close mics are summed, in order; with groups that have stems of "
        "their own, on each of these stems.",
        examples=[_CHAIN_EXAMPLE],
    )
    gate: PerformanceGate | None = Field(
        None,
        description="When the guitar plays in this performance, by hand.",
        examples=[{"spans": [[0.5, 12.25], [14, 31.5]]}],
    )
    stem_gate: GateOverrides | None = Field(
        None,
        description="Gates every close mic of this performance too, at the head of its path: amp hiss and bleed go out "
        "of the stops. What is absent is taken from the recipe's gate. Default: not gated.",
        examples=[{"range_db": 40, "hold_ms": 20}],
    )
    without: tuple[Name, ...] = Field(
        (),
        description="Mics, and groups with all their mics, that were not recorded here: no file is looked for. Where "
        "the reference is among them, the first close mic that is left stays instead.",
        examples=[["amp_b"]],
    )
    aliases: tuple[Alias, ...] = Field(
        (), description="Other names of this performance in file names.", examples=[["L1", "gtr left"]]
    )
    optional: bool = Field(False, description="The performance may be missing in a song.", examples=[True])


class Group(Section):
    """Several mics that share a gain or a chain, or make a stem of their own: one of two amps or cabinets."""

    mics: tuple[Name, ...] = Field(
        description="The mics of the group.", examples=[["dynamic", "condenser"]], min_length=1
    )
    stem: Literal["shared", "own"] = Field(
        "shared",
        description="shared: the mics are part of the performance's stem. own: the group's close and sub mics make a "
        "stem of their own, <performance>_<group>; what is left makes <performance>_rest. All close mics of a "
        "performance are aligned together in any case, so that its stems add up.",
        examples=["own"],
    )
    bus: Name | None = Field(
        None,
        description="The bus that a group with a stem of its own is sent to, its room mics too, instead of the "
        "performance's.",
        examples=["right"],
    )
    gain_db: GainDb = Field(0.0, description="Gain added to each mic of the group.", examples=[-1])
    chain: Chain = Field(
        (), description="Processors put before each mic's own chain, in order.", examples=[_CHAIN_EXAMPLE]
    )


STANDING_BUSES: dict[str, dict[str, float]] = {
    "left": {"pan": -1.0},
    "right": {"pan": 1.0},
    CENTRE_BUS: {"pan": 0.0, "gain_db": -12.0},
    "room_left": {"pan": -1.0, "gain_db": -3.0},
    "room_right": {"pan": 1.0, "gain_db": -3.0},
}
"""Buses that stand ready: what a recipe says of them is merged over this. The two of a stereo room are 3 dB lower, so
that what both room mics hear alike is as loud, in stereo and in mono, as one room mic in the middle at the pan law of
-3 dB."""


class Bus(Section):
    """Stems summed by side."""

    pan: Annotated[float, Field(ge=-1, le=1)] = Field(
        0.0,
        description="-1: hard left, 0: centre, 1: hard right. Common practice: the sides are panned hard.",
        examples=[-1],
    )
    gain_db: GainDb = Field(
        0.0,
        description="Level of the bus in the guitar bus. Common practice: the centre sits about 12 dB under the sides.",
        examples=[-12],
    )
    mute: bool = Field(False, description="Leave this bus out of the guitar bus; it is not rendered.", examples=[True])
    chain: Chain = Field((), description="Processors on the bus, in order.", examples=[_CHAIN_EXAMPLE])


class GuitarBus(Section):
    """All buses, stereo."""

    pan_law_db: PanLawDb = Field(
        -3.0,
        description="Level at the centre of a panned mono signal: -3 constant power (sin/cos, -3.01 dB), "
        "-6 linear, -4.5 the compromise between both, 0 no loss at the centre.",
        examples=[-3],
    )
    width: Width | WidthLimit = Field(
        1.0,
        description="Gain of the side signal: 0 is mono, above 1 is wider; the mono sum never changes. Or the limit "
        "that it has to keep: the widest value, up to 2, that does is worked out from the song.",
        examples=[1.2, {"mono_fold_db": -2.5}],
    )
    gain_db: GainDb = Field(0.0, description="Level of the guitar bus.", examples=[-3])
    chain: Chain = Field((), description="Processors on the guitar bus, in order.", examples=[_CHAIN_EXAMPLE])


class VariantMic(Section):
    """What a variant changes of a mic."""

    gain_db: GainDb | None = Field(None, description="Level of the mic in its stem.", examples=[-6])
    mute: bool | None = Field(None, description="Leave the mic out.", examples=[True])
    polarity: Polarity | None = Field(None, description="As the mic's polarity.", examples=["inverted"])
    delay: Delay | None = Field(None, description="As the mic's delay.", examples=["none"])


class VariantPart(Section):
    """What a variant changes of a performance or a bus."""

    gain_db: GainDb | None = Field(None, description="Level.", examples=[-3])
    mute: bool | None = Field(None, description="Leave it out.", examples=[True])


class Variant(Section):
    """Another blend to compare."""

    mics: dict[Name, VariantMic] = Field(
        default_factory=dict, description="Changes by mic.", examples=[{"ribbon": {"mute": True}}]
    )
    performances: dict[Name, VariantPart] = Field(
        default_factory=dict, description="Changes by performance.", examples=[{"left_b": {"mute": True}}]
    )
    buses: dict[Name, VariantPart] = Field(
        default_factory=dict, description="Changes by bus.", examples=[{"centre": {"gain_db": -9}}]
    )
    width: Width | None = Field(None, description="Width of the guitar bus.", examples=[1.2])


class Recipe(Section):
    """A premix recipe: the work on one song's guitars, written once and reused."""

    format: FormatNumber = Field(description="The recipe language's format; always 1.", examples=[1])
    song: str | None = Field(
        None,
        description="The song's name, as it stands in the file names. Default: the folder's name.",
        min_length=1,
        max_length=100,
        examples=["Tidewater"],
    )
    tracks: Tracks = Field(default_factory=Tracks, description="How the files are named.")
    mics: dict[Name, Mic] = Field(
        description="The set-up: one entry a mic, the same in every performance.",
        examples=[{"dynamic": {}, "room": {"role": "room", "gain_db": -12}}],
        min_length=1,
        max_length=64,
    )
    performances: dict[Name, Performance] = Field(
        description="The performances and where they go. They are never moved against each other: the spread "
        "is the width.",
        examples=[{"left": {"bus": "left"}, "right": {"bus": "right"}}],
        min_length=1,
        max_length=256,
    )
    alignment: AlignmentSettings = Field(
        default_factory=AlignmentSettings, description="How polarity and delay are found."
    )
    gate: Gate = Field(default_factory=Gate, description="The gate of the room mics, keyed by the close mics.")
    buses: dict[Name, Bus] = Field(
        default_factory=lambda: {n: Bus.model_validate(bus) for n, bus in STANDING_BUSES.items()},
        description="Stems summed by side. Five stand ready: left (pan -1), right (pan 1), centre (pan 0, 12 dB "
        "lower: common practice), room_left and room_right (pan -1 and 1, 3 dB lower); what is written here is merged "
        "over them.",
        examples=[{"centre": {"gain_db": -9}}],
        min_length=1,
        max_length=64,
    )
    guitar_bus: GuitarBus = Field(default_factory=GuitarBus, description="All buses, stereo.")
    groups: dict[Name, Group] = Field(
        default_factory=dict,
        description="Mics that share a gain or a chain, or make a stem of their own.",
        examples=[{"bright": {"mics": ["dynamic", "condenser"], "gain_db": -1}}],
        max_length=64,
    )
    deliver: Deliver = Field(default_factory=Deliver, description="What is written, and how.")
    variants: dict[Name, Variant] = Field(
        default_factory=dict,
        description="Other blends to compare, level-matched; they never change a render.",
        examples=[{"no_ribbon": {"mics": {"ribbon": {"mute": True}}}}],
        max_length=64,
    )
    limits: Limits = Field(
        default_factory=Limits, description="What a CI run must hold; a broken limit gives exit code 4."
    )


@dataclass(frozen=True, slots=True)
class MergedRecipe:
    """A recipe, checked, and what the manifest tells of it. Files are named from the recipe's folder.

    files: those it was read from, lowest first: what it extends, itself, the song's own.
    """

    recipe: Recipe
    text: RecipeEntry
    files: tuple[Path, ...] = ()
