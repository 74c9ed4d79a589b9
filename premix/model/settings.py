"""What a recipe says and stages go by: kinds of values with their ranges, and the sections that are handed on.

Descriptions, ranges, defaults and examples here and in `premix.recipe.record` are the one source of the JSON Schema, of
the messages' "allowed" and of the recipe reference.
"""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

GainDb = Annotated[float, Field(ge=-120.0, le=40.0)]
TimeMs = Annotated[float, Field(ge=0.0, le=10_000.0)]
LookaheadMs = Annotated[float, Field(ge=0, le=200)]
Samples = Annotated[float, Field(ge=-400_000, le=400_000)]
Hz = Annotated[float, Field(gt=0.0, le=192_000.0)]
GateSpan = tuple[Annotated[float, Field(ge=0.0, le=360_000.0)], Annotated[float, Field(ge=0.0, le=360_000.0)]]
ThresholdDb = Annotated[float, Field(ge=-120, le=0)]
HysteresisDb = Annotated[float, Field(ge=0, le=40)]
RangeDb = Annotated[float, Field(ge=0, le=140)]
Ratio = Annotated[float, Field(ge=1, le=100)]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]*$", max_length=64)]
Alias = Annotated[str, Field(min_length=1, max_length=200)]

Auto = Literal["auto"]
Polarity = Literal["auto", "normal", "inverted"]
Role = Literal["close", "sub", "room", "di"]
Channel = Annotated[int, Field(ge=1, le=64)] | Literal["left", "right", "mix"]
GateMode = Literal["gate", "follow", "off"]
GateKey = Literal["performance", "all", "di"]
OpenFor = Literal["riff", "all"]
FileKind = Literal[
    "stems", "rooms", "rooms_ungated", "buses", "guitar_bus", "dis", "aligned_mics", "guitar_bus_without_centre"
]


class Section(BaseModel):
    """Base of all recipe sections: unknown keys and infinities refused, values never coerced, instances frozen."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False, defer_build=True)


class DelayByHand(Section):
    """A delay given by hand: exactly one unit. Positive: the mic is LATE and is advanced by that much."""

    ms: Annotated[float, Field(ge=-2000, le=2000)] | None = Field(
        None, description="Delay in milliseconds.", examples=[0.35]
    )
    samples: Samples | None = Field(
        None, description="Delay in samples at the tracks' rate; fractions are allowed.", examples=[16.8]
    )
    cm: Annotated[float, Field(ge=-70_000, le=70_000)] | None = Field(
        None, description="Delay as the distance that sound travels in it, at the recipe's temperature.", examples=[12]
    )


Delay = Literal["auto", "none"] | DelayByHand


class ChainStep(Section):
    """One processor of a chain: its kind and its parameters (checked against the processor table)."""

    kind: str
    params: dict[str, Any] = Field(default_factory=dict)


Chain = tuple[ChainStep, ...]


class AlignmentSettings(Section):
    """How polarity and delay are found."""

    reference: Name | None = Field(
        None,
        description="The mic that stays where it was recorded, so that the stems stay in time with the song; "
        "the others move to it. Default: the first close mic.",
        examples=["dynamic"],
    )
    search_ms: Annotated[float, Field(gt=0, le=2000)] = Field(
        4.0,
        description="How far a close mic may be from the reference, either way. One that fits better outside is never "
        "held inside: up to 30 ms it is moved with a warning, further away it is refused with the line to write.",
        examples=[4],
    )
    room_search_ms: Annotated[float, Field(gt=0, le=200)] = Field(
        40.0, description="How far a room mic's first sound may be from the close mics.", examples=[40]
    )
    pool: bool = Field(
        True, description="Mics do not move between performances: estimate from all of them together.", examples=[True]
    )
    refused: Literal["stop", "mute", "keep"] = Field(
        "stop",
        description="A mic that cannot be aligned: stop (exit 1, nothing written), mute, or keep (summed as recorded).",
        examples=["mute"],
    )
    changes: Literal["follow", "tell", "stop"] = Field(
        "follow",
        description="A mic whose delay or polarity changes in the song: it jumps, turns over or drifts. follow: each "
        "passage gets its own, and a finding tells it. tell: a finding tells it, and the longest passage's holds "
        "throughout. stop: exit 1, nothing is written.",
        examples=["tell"],
    )
    rotate: Literal["off", "auto"] = Field(
        "off",
        description="auto: at most one all-pass a mic where delay and polarity cannot reach, when it gains "
        "at least 0.1 dB of sum efficiency; the level of every frequency stays.",
        examples=["auto"],
    )
    temperature_c: Annotated[float, Field(ge=-20, le=50)] = Field(
        20.0,
        description="Air temperature; sets the speed of sound for distances in cm, never the sound.",
        examples=[22],
    )


class Gate(Section):
    """The gate of the room mics, keyed by the close mics."""

    mode: GateMode = Field(
        "gate",
        description="gate: shut in the stops, so that they are dead silent. follow: the room's level follows "
        "the close mics below the threshold (downward expander). off: the room stays as recorded.",
        examples=["follow"],
    )
    key: GateKey = Field(
        "performance",
        description="performance: the close mics of the same performance open its room (common practice). "
        "all: any performance opens every room. di: the performance's DI, the cleanest key there is (no bleed, no hiss "
        "of the amp); where a performance has none, its close mics.",
        examples=["all"],
    )
    threshold_db: Auto | ThresholdDb = Field(
        "auto",
        description="auto: found from the close mics. Or the opening level relative to their loud level.",
        examples=["auto", -30],
    )
    hysteresis_db: HysteresisDb = Field(
        6.0,
        description="The gate shuts this far below the threshold that opened it, so that it never chatters.",
        examples=[6],
    )
    attack_ms: TimeMs = Field(
        2.0, description="Time of the opening ramp (linear in dB); below about 1 ms it may click.", examples=[2]
    )
    hold_ms: TimeMs = Field(40.0, description="How long the room stays open after the riff has stopped.", examples=[40])
    release_ms: TimeMs = Field(
        60.0,
        description="Time of the closing ramp (linear in dB): short is tight, long lets the room ring.",
        examples=[60],
    )
    range_db: RangeDb = Field(
        60.0, description="Attenuation when closed: 60 is silence, 12 leaves a little air in the stops.", examples=[60]
    )
    lookahead_ms: LookaheadMs = Field(
        5.0,
        description="How early before a start the gate is fully open, so that no pick attack is lost.",
        examples=[5],
    )
    ratio: Ratio = Field(
        3.0,
        description="follow mode: dB of attenuation per dB below the threshold, less one (3: 1 dB below gives 2 dB).",
        examples=[3],
    )
    band_hz: tuple[Hz, Hz] | None = Field(
        None,
        description="Band of the key, low and high end, so that thumps and hiss do not open the gate. "
        "Default: 200 to 5000, where close mics can tell a guitar from bleed.",
        examples=[[200, 5000]],
    )
    invert: bool = Field(False, description="The room is heard only in the stops, as an effect.", examples=[True])
    open_for: OpenFor = Field(
        "riff",
        description="riff: what lies 12 dB and more under the loud level around and is shorter than 80 ms (ghost "
        "notes, scratches, fingers on strings) stays shut, so that stops are clean. all: everything that is guitar "
        "opens the room, which breathes with the hand.",
        examples=["all"],
    )


REST = "rest"
"""What the stem of those close mics is called that are in no group with a stem of its own."""
CENTRE_BUS = "centre"
"""The bus that `guitar_bus_without_centre` leaves out, and that measures with/without centre name."""


class Level(Section):
    """The level of a delivery, by ONE common gain of all files: exactly one of these."""

    ceiling_dbtp: Annotated[float, Field(ge=-60, le=0)] | None = Field(
        None,
        description="True-peak ceiling of every file, as deliver.ceiling_dbtp: files are only ever turned down.",
        examples=[-6],
    )
    loudness_lufs: Annotated[float, Field(ge=-70, le=0)] | None = Field(
        None,
        description="Integrated loudness of the guitar bus (ITU-R BS.1770); turned up or down, as far as "
        "deliver.ceiling_dbtp allows.",
        examples=[-18],
    )
    peak_dbfs: Annotated[float, Field(ge=-60, le=0)] | None = Field(
        None,
        description="Highest sample of all files; turned up or down, as far as deliver.ceiling_dbtp allows.",
        examples=[-6],
    )

    @property
    def aim(self) -> tuple[Literal["loudness_lufs", "peak_dbfs"], float] | None:
        """The figure that the files are brought to, up or down; None where they are only kept under a ceiling."""
        if self.loudness_lufs is not None:
            return "loudness_lufs", self.loudness_lufs
        return None if self.peak_dbfs is None else ("peak_dbfs", self.peak_dbfs)


class WidthLimit(Section):
    """What the width of the guitar bus may cost: exactly one of these. The widest value that keeps it is taken."""

    mono_fold_db: Annotated[float, Field(ge=-60, le=0)] | None = Field(
        None, description="Lowest mono fold of the guitar bus, over the whole song.", examples=[-2.5]
    )
    correlation: Annotated[float, Field(ge=-1, le=1)] | None = Field(
        None, description="Lowest correlation of the guitar bus's channels, over the whole song.", examples=[0.1]
    )


class Deliver(Section):
    """What is written, and how."""

    files: tuple[FileKind, ...] = Field(
        ("stems", "rooms", "buses", "guitar_bus", "dis"),
        description="Which files are written: stems, rooms, rooms_ungated, buses, guitar_bus, dis (where there is a "
        "DI), aligned_mics, guitar_bus_without_centre (rooms on buses of their own stay in it).",
        examples=[["stems", "guitar_bus"]],
        min_length=1,
        max_length=16,
    )
    room: Literal["own", "stem", "both"] = Field(
        "own",
        description="The gated room as a file of its own, summed into the performance's stem, or both. The "
        "sound of the buses is the same in all three.",
        examples=["stem"],
    )
    format: Literal["wav", "flac"] = Field("wav", description="File format.", examples=["flac"])
    bits: Literal[16, 24, 32] = Field(24, description="Bits a sample: 16, 24, or 32 (float, wav only).", examples=[24])
    rate: Literal["keep", 44100, 48000, 88200, 96000, 176400, 192000] = Field(
        "keep", description="Sample rate of the files, in Hz; keep: the tracks' own.", examples=[48000]
    )
    dither: Literal["auto", "tpdf", "none"] = Field(
        "auto",
        description="auto: TPDF at 16 bits, none at 24 (the mics' own noise is far above its step). Never on float.",
        examples=["tpdf"],
    )
    ceiling_dbtp: Annotated[float, Field(ge=-60, le=0)] = Field(
        -1.0, description="True-peak ceiling of every file.", examples=[-1]
    )
    level: Level | None = Field(
        None,
        description="The level of the files, by one common gain: a ceiling, the guitar bus's loudness, or the peak.",
        examples=[{"loudness_lufs": -18}],
    )
    balance: Literal["in_files", "in_sheet"] = Field(
        "in_files",
        description="in_files: stems, rooms and buses hold the gains of their bus and of the guitar bus: with every "
        "fader at zero and the pans of the sheet they add up to the guitar bus. in_sheet: stems and rooms are "
        "written before their bus's gain, buses before the guitar bus's; the sheet has the faders.",
        examples=["in_sheet"],
    )
    trim: Literal["auto", "none"] = Field(
        "auto",
        description="auto: if any file would pass the ceiling, ONE common trim for all files, reported. "
        "none: then stop with exit 1.",
        examples=["none"],
    )
    name: str = Field(
        "{song}_{part}",
        description="Template of the file names: {song} and {part}.",
        examples=["{song} GTR {part}"],
        min_length=1,
        max_length=100,
    )


class Limits(Section):
    """What a CI run must hold; a limit broken or not measurable gives exit code 4, and the files are still written."""

    sum_efficiency_db: Annotated[float, Field(ge=-60, le=0)] | None = Field(
        None,
        description="Lowest sum efficiency of any performance; 0 is every band of every mic in phase.",
        examples=[-1.5],
    )
    worst_passage_db: Annotated[float, Field(ge=-60, le=0)] | None = Field(
        None,
        description="Lowest sum efficiency of any 2 s of riff: what a mic that changes in the song costs.",
        examples=[-2],
    )
    mono_fold_db: Annotated[float, Field(ge=-60, le=0)] | None = Field(
        None, description="Lowest mono fold of the guitar bus: what mono playback loses.", examples=[-4.5]
    )
    correlation: Annotated[float, Field(ge=-1, le=1)] | None = Field(
        None, description="Lowest correlation of the guitar bus's channels.", examples=[-0.2]
    )
    true_peak_dbtp: Annotated[float, Field(ge=-60, le=6)] | None = Field(
        None, description="Highest true peak of any file.", examples=[-1]
    )
    stem_spread_lu: Annotated[float, Field(ge=0, le=60)] | None = Field(
        None, description="Largest loudness difference between the stems of one bus.", examples=[3]
    )
    refused_mics: Annotated[int, Field(ge=0, le=10_000)] | None = Field(
        None, description="Most mics that may be refused.", examples=[0]
    )
    moved_mics: Annotated[int, Field(ge=0, le=10_000)] | None = Field(
        None, description="Most mics that may have been moved between performances.", examples=[0]
    )
    left_out: Annotated[int, Field(ge=0, le=10_000)] | None = Field(
        None,
        description="Most performances and single mics that may be left out because they are optional and have no "
        "file, as the roll-call counts them.",
        examples=[0],
    )
    room_lost_s: Annotated[float, Field(ge=0, le=36_000)] | None = Field(
        None,
        description="Most seconds of any performance in which its guitar sounds and one of its rooms is shut.",
        examples=[0.5],
    )
    room_quiet_db: Annotated[float, Field(ge=0, le=140)] | None = Field(
        None, description="How much quieter every gated room must be in the stops, at least.", examples=[20]
    )
    setup_moved_mm: Annotated[float, Field(ge=0, le=10_000)] | None = Field(
        None,
        description="Most that any mic may have moved against the reference: between performances, against an approved "
        "set-up (`--alignment MANIFEST`), and in a batch against the album's first song. What its error explains is no "
        "move.",
        examples=[2],
    )
    setup_level_db: Annotated[float, Field(ge=0, le=60)] | None = Field(
        None,
        description="Most by which any mic's level against the reference may have changed, held in the same way.",
        examples=[0.5],
    )
