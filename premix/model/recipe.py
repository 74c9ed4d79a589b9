"""The recipe (format 1) as frozen, validated records: what the YAML may say and what it means.

Field descriptions, units, ranges and defaults here are the one source of the JSON Schema and of the
recipe reference. Reading the YAML, and every message about it, is the recipe room's subject.
"""

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, WithJsonSchema

GainDb = Annotated[float, Field(ge=-120.0, le=40.0, allow_inf_nan=False)]
PositiveMs = Annotated[float, Field(ge=0.0, le=10_000.0, allow_inf_nan=False)]
Hz = Annotated[float, Field(gt=0.0, le=192_000.0, allow_inf_nan=False)]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]*$", max_length=64)]

PAN_LAWS_DB = (0.0, -3.0, -4.5, -6.0)
FORMAT = 1


def _a_pan_law(value: float) -> float:
    if value not in PAN_LAWS_DB:
        raise ValueError("no pan law")
    return value


PanLawDb = Annotated[
    float, AfterValidator(_a_pan_law), WithJsonSchema({"enum": [0, -3, -4.5, -6], "type": "number"})
]
FormatNumber = Annotated[
    int, Field(ge=FORMAT, le=FORMAT), WithJsonSchema({"const": FORMAT, "type": "integer"})
]
"""A bounded int rather than a Literal: `true` equals 1, and a Literal would let it pass."""
Auto = Literal["auto"]
Polarity = Literal["auto", "normal", "inverted"]
Role = Literal["close", "sub", "room"]
FileKind = Literal[
    "stems", "rooms", "rooms_ungated", "buses", "guitar_bus", "aligned_mics", "guitar_bus_without_centre"
]
CENTRE_BUS = "centre"
"""The bus that `guitar_bus_without_centre` leaves out, and that measures with/without centre name."""


class Section(BaseModel):
    """Base of all recipe sections: unknown keys refused, values never coerced, instances frozen."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class DelayByHand(Section):
    """A delay given by hand: exactly one unit. Positive: the mic is LATE and is advanced by that much."""

    ms: Annotated[float, Field(ge=-2000, le=2000, allow_inf_nan=False)] | None = Field(
        None, description="Delay in milliseconds."
    )
    samples: Annotated[float, Field(ge=-400_000, le=400_000, allow_inf_nan=False)] | None = Field(
        None, description="Delay in samples at the tracks' rate; fractions are allowed."
    )
    cm: Annotated[float, Field(ge=-70_000, le=70_000, allow_inf_nan=False)] | None = Field(
        None, description="Delay as a distance in centimetres that sound travels at the recipe's temperature."
    )


Delay = Literal["auto", "none"] | DelayByHand


class ChainStep(Section):
    """One processor of a chain: its kind and its parameters (checked against the processor table)."""

    kind: str
    params: dict[str, Any] = Field(default_factory=dict)


Chain = tuple[ChainStep, ...]


class Tracks(Section):
    """How the files are named."""

    name: str = Field(
        "{performance}_{mic}.*",
        description="Pattern of a track's file name (or path below the folder): {performance}, {mic}, "
        "{song}, * and ?. Case and Unicode form are ignored; exactly one file must match each track.",
        examples=["{performance}_{mic}.wav", "{song}/GTR {performance} {mic}*.wav"],
        min_length=1,
    )


class GateOverrides(Section):
    """Gate settings of one room mic; what is absent is taken from the recipe's `gate:`."""

    mode: Literal["gate", "follow", "off"] | None = Field(None, description="As gate.mode.")
    key: Literal["performance", "all"] | None = Field(None, description="As gate.key.")
    threshold_db: Auto | Annotated[float, Field(ge=-120, le=0, allow_inf_nan=False)] | None = Field(
        None, description="As gate.threshold_db."
    )
    hysteresis_db: Annotated[float, Field(ge=0, le=40, allow_inf_nan=False)] | None = Field(
        None, description="As gate.hysteresis_db."
    )
    attack_ms: PositiveMs | None = Field(None, description="As gate.attack_ms.")
    hold_ms: PositiveMs | None = Field(None, description="As gate.hold_ms.")
    release_ms: PositiveMs | None = Field(None, description="As gate.release_ms.")
    range_db: Annotated[float, Field(ge=0, le=140, allow_inf_nan=False)] | None = Field(
        None, description="As gate.range_db."
    )
    lookahead_ms: Annotated[float, Field(ge=0, le=200, allow_inf_nan=False)] | None = Field(
        None, description="As gate.lookahead_ms."
    )
    ratio: Annotated[float, Field(ge=1, le=100, allow_inf_nan=False)] | None = Field(
        None, description="As gate.ratio."
    )
    invert: bool | None = Field(None, description="As gate.invert.")


class Mic(Section):
    """One microphone of the set-up, the same in every performance."""

    role: Role = Field(
        "close",
        description="close: summed into the stem. sub: a low-frequency mic, judged in its own band. "
        "room: the far mic, gated, never part of the alignment's sum.",
    )
    gain_db: GainDb = Field(0.0, description="Gain in the sum, in dB.", examples=[-3])
    mute: bool = Field(False, description="Leave this mic out of the sum; it is still checked.")
    polarity: Polarity = Field(
        "auto", description="auto: found from the audio. normal: as recorded. inverted: flipped."
    )
    delay: Delay | None = Field(
        None,
        description="auto: found from the audio (default of close and sub mics). none: as recorded (default "
        "of room mics: their distance is the sound). Or by hand: {ms:}, {samples:} or {cm:}; positive: the "
        "mic is LATE and is advanced by that much.",
        examples=["auto", "none", {"ms": 0.35}, {"cm": 12}],
    )
    high_pass_hz: Hz | None = Field(
        None,
        description="Second-order Butterworth high-pass at this frequency, 12 dB per octave.",
        examples=[60],
    )
    low_pass_hz: Hz | None = Field(
        None,
        description="Second-order Butterworth low-pass at this frequency, 12 dB per octave; the alignment is "
        "solved with the filter in place.",
        examples=[180],
    )
    chain: Chain = Field((), description="Processors on this mic, before the sum, in order.")
    gate: GateOverrides | None = Field(None, description="Gate settings of this room mic alone.")
    aliases: tuple[str, ...] = Field((), description="Other names of this mic in file names.")
    optional: bool = Field(False, description="The mic may be missing in a song.")


class MicException(Section):
    """What differs for one mic in one performance; what is absent stays as the mic says."""

    gain_db: GainDb | None = Field(None, description="Gain in the sum, in dB, instead of the mic's own.")
    mute: bool | None = Field(None, description="Leave this mic out of this performance's sum.")
    polarity: Polarity | None = Field(None, description="As the mic's polarity, for this performance alone.")
    delay: Delay | None = Field(None, description="As the mic's delay, for this performance alone.")
    file: str | None = Field(
        None, description="This track's file, relative to the tracks folder, instead of the name pattern."
    )
    optional: bool | None = Field(None, description="The track may be missing in a song.")


class Performance(Section):
    """One pass of the guitarist through the part."""

    bus: Name = Field(description="The bus this performance is sent to.", examples=["left"])
    gain_db: GainDb = Field(0.0, description="Gain of the stem and its rooms, in dB.", examples=[-2])
    mute: bool = Field(False, description="Leave this performance out of its bus; its stem is not rendered.")
    mics: dict[Name, MicException] = Field(
        default_factory=dict, description="Per-performance exceptions, by mic name."
    )
    chain: Chain = Field((), description="Processors on the stem, after the close mics are summed, in order.")
    aliases: tuple[str, ...] = Field((), description="Other names of this performance in file names.")
    optional: bool = Field(False, description="The performance may be missing in a song.")


class AlignmentSettings(Section):
    """How polarity and delay are found."""

    reference: Name | None = Field(
        None,
        description="The mic that stays where it was recorded; the others move to it. "
        "Default: the first close mic.",
        examples=["dynamic"],
    )
    search_ms: Annotated[float, Field(gt=0, le=2000, allow_inf_nan=False)] = Field(
        4.0,
        description="How far a close mic may be from the reference, in ms either way. Above 20 ms a coarse "
        "search for odd file starts comes first.",
    )
    room_search_ms: Annotated[float, Field(gt=0, le=200, allow_inf_nan=False)] = Field(
        40.0, description="How far a room mic's first sound may be from the close mics, in ms."
    )
    pool: bool = Field(
        True, description="Mics do not move between performances: estimate from all of them together."
    )
    refused: Literal["stop", "mute", "keep"] = Field(
        "stop",
        description="A mic that cannot be aligned: stop (exit 1, nothing written), mute, or keep "
        "(summed as recorded).",
    )
    rotate: Literal["off", "auto"] = Field(
        "off",
        description="auto: at most one all-pass a mic where delay and polarity cannot reach, when it "
        "gains at least 0.1 dB of sum efficiency.",
    )
    temperature_c: Annotated[float, Field(ge=-20, le=50, allow_inf_nan=False)] = Field(
        20.0, description="Air temperature in degrees Celsius; sets the speed of sound for distances in cm."
    )


class Gate(Section):
    """The gate of the room mics, keyed by the close mics."""

    mode: Literal["gate", "follow", "off"] = Field(
        "gate",
        description="gate: shut in the stops. follow: the room's level follows the close mics below the "
        "threshold (downward expander). off: the room stays as recorded.",
    )
    key: Literal["performance", "all"] = Field(
        "performance",
        description="performance: the close mics of the same performance open its room (common practice). "
        "all: any performance opens every room.",
    )
    threshold_db: Auto | Annotated[float, Field(ge=-120, le=0, allow_inf_nan=False)] = Field(
        "auto",
        description="auto, or the opening level in dB relative to the key's loud level.",
        examples=[-30],
    )
    hysteresis_db: Annotated[float, Field(ge=0, le=40, allow_inf_nan=False)] = Field(
        6.0, description="The gate shuts this many dB below the threshold that opened it."
    )
    attack_ms: PositiveMs = Field(2.0, description="Time of the opening ramp (linear in dB).")
    hold_ms: PositiveMs = Field(40.0, description="How long it stays open after the riff has stopped.")
    release_ms: PositiveMs = Field(60.0, description="Time of the closing ramp (linear in dB).")
    range_db: Annotated[float, Field(ge=0, le=140, allow_inf_nan=False)] = Field(
        60.0, description="Attenuation when closed, in dB."
    )
    lookahead_ms: Annotated[float, Field(ge=0, le=200, allow_inf_nan=False)] = Field(
        5.0, description="How early before a start the gate is fully open."
    )
    ratio: Annotated[float, Field(ge=1, le=100, allow_inf_nan=False)] = Field(
        3.0,
        description="follow mode: dB of attenuation per dB below the threshold, less one "
        "(3: 1 dB below gives 2 dB).",
    )
    band_hz: tuple[Hz, Hz] | None = Field(
        None, description="Band of the key in Hz, low and high. Default: 80 to 5000.", examples=[[80, 5000]]
    )
    invert: bool = Field(False, description="The room is heard only in the stops.")


class Bus(Section):
    """Stems summed by side."""

    pan: Annotated[float, Field(ge=-1, le=1, allow_inf_nan=False)] = Field(
        0.0, description="-1: hard left, 0: centre, 1: hard right."
    )
    gain_db: GainDb = Field(
        0.0,
        description="Gain of the bus, in dB. Common practice: the centre sits about 12 dB under the sides.",
    )
    mute: bool = Field(False, description="Leave this bus out of the guitar bus; it is not rendered.")
    chain: Chain = Field((), description="Processors on the bus, in order.")


class GuitarBus(Section):
    """All buses, stereo."""

    pan_law_db: PanLawDb = Field(
        -3.0,
        description="Level at the centre of a panned mono signal: -3 constant power (sin/cos, -3.01 dB), "
        "-6 linear, -4.5 the compromise between both, 0 no loss at the centre.",
    )
    width: Annotated[float, Field(ge=0, le=2, allow_inf_nan=False)] = Field(
        1.0, description="Gain of the side signal; the mono sum never changes."
    )
    gain_db: GainDb = Field(0.0, description="Gain of the guitar bus, in dB.")
    chain: Chain = Field((), description="Processors on the guitar bus, in order.")


class Deliver(Section):
    """What is written, and how."""

    files: tuple[FileKind, ...] = Field(
        ("stems", "rooms", "buses", "guitar_bus"),
        description="Which files are written: stems, rooms, rooms_ungated, buses, guitar_bus, aligned_mics, "
        "guitar_bus_without_centre.",
        min_length=1,
    )
    room: Literal["own", "stem", "both"] = Field(
        "own", description="The gated room as a file of its own, summed into the performance's stem, or both."
    )
    format: Literal["wav", "flac"] = Field("wav", description="File format.")
    bits: Literal[16, 24, 32] = Field(24, description="Bits a sample: 16, 24, or 32 (float, wav only).")
    rate: Literal["keep", 44100, 48000, 88200, 96000, 176400, 192000] = Field(
        "keep", description="Sample rate of the files; keep: the tracks' own."
    )
    dither: Literal["auto", "tpdf", "none"] = Field(
        "auto", description="auto: TPDF at 16 bits, none at 24. Never on float."
    )
    ceiling_dbtp: Annotated[float, Field(ge=-60, le=0, allow_inf_nan=False)] = Field(
        -1.0, description="True-peak ceiling of every file, in dBTP."
    )
    trim: Literal["auto", "none"] = Field(
        "auto",
        description="auto: if any file would pass the ceiling, ONE common trim for all files, reported. "
        "none: then stop with exit 1.",
    )
    name: str = Field(
        "{song}_{part}", description="Template of the file names: {song} and {part}.", min_length=1
    )


class VariantMic(Section):
    """What a variant changes of a mic."""

    gain_db: GainDb | None = Field(None, description="Gain in the sum, in dB.")
    mute: bool | None = Field(None, description="Leave the mic out.")
    polarity: Polarity | None = Field(None, description="As the mic's polarity.")
    delay: Delay | None = Field(None, description="As the mic's delay.")


class VariantPart(Section):
    """What a variant changes of a performance or a bus."""

    gain_db: GainDb | None = Field(None, description="Gain, in dB.")
    mute: bool | None = Field(None, description="Leave it out.")


class Variant(Section):
    """Another blend to audition."""

    mics: dict[Name, VariantMic] = Field(default_factory=dict, description="Changes by mic.")
    performances: dict[Name, VariantPart] = Field(default_factory=dict, description="Changes by performance.")
    buses: dict[Name, VariantPart] = Field(default_factory=dict, description="Changes by bus.")
    width: Annotated[float, Field(ge=0, le=2, allow_inf_nan=False)] | None = Field(
        None, description="Width of the guitar bus."
    )


class Limits(Section):
    """What a CI run must hold; a broken limit gives exit code 4, and the files are still written."""

    sum_efficiency_db: Annotated[float, Field(ge=-60, le=0, allow_inf_nan=False)] | None = Field(
        None, description="Lowest sum efficiency of any performance, in dB."
    )
    mono_fold_db: Annotated[float, Field(ge=-60, le=0, allow_inf_nan=False)] | None = Field(
        None, description="Lowest mono fold of the guitar bus, in dB."
    )
    correlation: Annotated[float, Field(ge=-1, le=1, allow_inf_nan=False)] | None = Field(
        None, description="Lowest correlation of the guitar bus."
    )
    true_peak_dbtp: Annotated[float, Field(ge=-60, le=6, allow_inf_nan=False)] | None = Field(
        None, description="Highest true peak of any file, in dBTP."
    )
    stem_spread_lu: Annotated[float, Field(ge=0, le=60, allow_inf_nan=False)] | None = Field(
        None, description="Largest loudness difference between the stems of one bus, in LU."
    )
    refused_mics: Annotated[int, Field(ge=0, le=10_000)] | None = Field(
        None, description="Most mics that may be refused."
    )
    moved_mics: Annotated[int, Field(ge=0, le=10_000)] | None = Field(
        None, description="Most mics that may have been moved between performances."
    )


class Group(Section):
    """Several mics that share a gain or a chain."""

    mics: tuple[Name, ...] = Field(description="The mics of the group.", min_length=1)
    gain_db: GainDb = Field(0.0, description="Gain added to each mic of the group, in dB.")
    chain: Chain = Field((), description="Processors put before each mic's own chain, in order.")


class Recipe(Section):
    """A premix recipe: the work on one song's guitars, written once and reused."""

    format: FormatNumber = Field(description="The recipe language's format; always 1.")
    song: str | None = Field(
        None,
        description="The song's name; default: the folder's name.",
        min_length=1,
        max_length=100,
        examples=["Tidewater"],
    )
    tracks: Tracks = Field(default_factory=lambda: Tracks(), description="How the files are named.")
    mics: dict[Name, Mic] = Field(description="The set-up: one entry a mic.", min_length=1, max_length=64)
    performances: dict[Name, Performance] = Field(
        description="The performances and where they go.", min_length=1, max_length=256
    )
    alignment: AlignmentSettings = Field(
        default_factory=lambda: AlignmentSettings(), description="How polarity and delay are found."
    )
    gate: Gate = Field(default_factory=lambda: Gate(), description="The gate of the room mics.")
    buses: dict[Name, Bus] = Field(
        default_factory=lambda: {
            "left": Bus(pan=-1.0),
            "right": Bus(pan=1.0),
            CENTRE_BUS: Bus(pan=0.0, gain_db=-12.0),
        },
        description="The buses. Default: left, right, and the centre 12 dB lower.",
        min_length=1,
        max_length=64,
    )
    guitar_bus: GuitarBus = Field(default_factory=lambda: GuitarBus(), description="All buses, stereo.")
    groups: dict[Name, Group] = Field(default_factory=dict, description="Mics that share a gain or a chain.")
    deliver: Deliver = Field(default_factory=lambda: Deliver(), description="What is written, and how.")
    variants: dict[Name, Variant] = Field(
        default_factory=dict, description="Other blends to audition, level-matched."
    )
    limits: Limits = Field(default_factory=lambda: Limits(), description="What a CI run must hold.")

    def mic_in(self, performance: str, mic: str) -> Mic:
        """The mic as it stands in one performance: its own settings with the performance's exceptions,
        its delay's default filled in by role. KeyError for unknown names."""
        base = self.mics[mic]
        exception = self.performances[performance].mics.get(mic)
        changes: dict[str, Any] = {}
        if exception is not None:
            for field in ("gain_db", "mute", "polarity", "delay", "optional"):
                value = getattr(exception, field)
                if value is not None:
                    changes[field] = value
        if base.delay is None and "delay" not in changes:
            changes["delay"] = "none" if base.role == "room" else "auto"
        return base.model_copy(update=changes)

    def gate_of(self, mic: str) -> Gate:
        """The gate settings of one room mic: the recipe's, with the mic's own overrides."""
        overrides = self.mics[mic].gate
        if overrides is None:
            return self.gate
        changes = {k: v for k, v in overrides.model_dump().items() if v is not None}
        return self.gate.model_copy(update=changes)

    def close_mics(self) -> tuple[str, ...]:
        """Names of the mics that are summed into stems (roles close and sub), in recipe order."""
        return tuple(name for name, mic in self.mics.items() if mic.role != "room")

    def room_mics(self) -> tuple[str, ...]:
        """Names of the room mics, in recipe order."""
        return tuple(name for name, mic in self.mics.items() if mic.role == "room")

    def reference_mic(self) -> str:
        """Name of the reference: as given, else the first close mic, the first sub mic, the first mic."""
        if self.alignment.reference is not None:
            return self.alignment.reference
        by_role = [
            name for role in ("close", "sub", "room") for name, mic in self.mics.items() if mic.role == role
        ]
        return by_role[0]


class MergedRecipe(BaseModel):
    """A recipe with where each value came from.

    source: the merged recipe as plain data (what the manifest shows). origins: 'mics.sub.gain_db' ->
    'house.yaml:7:9', '--set', or 'default'. sha256: of the canonical JSON of `source`.
    """

    model_config = ConfigDict(frozen=True)

    recipe: Recipe
    source: dict[str, Any]
    origins: dict[str, str]
    sha256: str
