"""Sections of a recipe about what was recorded: file names, mics, performances, groups.

The recipe (format 1) as a frozen, validated record: what the YAML may say and what it means.

Field descriptions, ranges, defaults and examples here and in the sections' own modules are the one source of
the JSON Schema, of the messages' "allowed" and of the recipe reference. The recipe room reads the YAML.
"""

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from premix.model.settings import (
    CENTRE_BUS,
    STANDING_BUSES,
    Alias,
    AlignmentSettings,
    Bus,
    Chain,
    ChainStep,
    Delay,
    DelayByHand,
    Deliver,
    FileKind,
    FormatNumber,
    GainDb,
    Gate,
    GateOverrides,
    GuitarBus,
    Hz,
    Limits,
    Name,
    Polarity,
    Role,
    Section,
    Variant,
    VariantMic,
    VariantPart,
)

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


class Mic(Section):
    """One microphone of the set-up, the same in every performance."""

    role: Role = Field(
        "close",
        description="close: summed into the stem. sub: a low-frequency mic, summed too and judged in its own "
        "band. room: the far mic, gated, never part of the alignment's sum.",
        examples=["room"],
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
        "hollows out the sum (about 8 dB).",
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
    file: str | None = Field(
        None,
        description="This track's file, relative to the tracks folder, instead of the name pattern.",
        examples=["takes/left 1 rbn again.wav"],
        min_length=1,
        max_length=400,
    )
    optional: bool | None = Field(None, description="Whether this track may be missing in a song.", examples=[True])


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
    chain: Chain = Field(
        (), description="Processors on the stem, after the close mics are summed, in order.", examples=[_CHAIN_EXAMPLE]
    )
    aliases: tuple[Alias, ...] = Field(
        (), description="Other names of this performance in file names.", examples=[["L1", "gtr left"]]
    )
    optional: bool = Field(False, description="The performance may be missing in a song.", examples=[True])


class Group(Section):
    """Several mics that share a gain or a chain."""

    mics: tuple[Name, ...] = Field(
        description="The mics of the group.", examples=[["dynamic", "condenser"]], min_length=1
    )
    gain_db: GainDb = Field(0.0, description="Gain added to each mic of the group.", examples=[-1])
    chain: Chain = Field(
        (), description="Processors put before each mic's own chain, in order.", examples=[_CHAIN_EXAMPLE]
    )


__all__ = [
    "CENTRE_BUS",
    "STANDING_BUSES",
    "AlignmentSettings",
    "Bus",
    "Chain",
    "ChainStep",
    "Delay",
    "DelayByHand",
    "Deliver",
    "FileKind",
    "Gate",
    "GateOverrides",
    "Group",
    "GuitarBus",
    "Limits",
    "MergedRecipe",
    "Mic",
    "MicException",
    "Name",
    "Performance",
    "Polarity",
    "Recipe",
    "Role",
    "Section",
    "Tracks",
    "Variant",
    "VariantMic",
    "VariantPart",
]


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
        description="Stems summed by side. Three stand ready: left (pan -1), right (pan 1), centre (pan 0, "
        "12 dB lower: common practice); what is written here is merged over them.",
        examples=[{"centre": {"gain_db": -9}}],
        min_length=1,
        max_length=64,
    )
    guitar_bus: GuitarBus = Field(default_factory=GuitarBus, description="All buses, stereo.")
    groups: dict[Name, Group] = Field(
        default_factory=dict,
        description="Mics that share a gain or a chain.",
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

    def mic_in(self, performance: str, mic: str) -> Mic:
        """The mic as it stands in one performance: its own settings with the performance's exceptions, its
        delay's default filled in by role, its groups' gains added and their chains put first. KeyError for
        unknown names."""
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
        groups = [group for group in self.groups.values() if mic in group.mics]
        changes["gain_db"] = changes.get("gain_db", base.gain_db) + sum(group.gain_db for group in groups)
        changes["chain"] = (*(step for group in groups for step in group.chain), *base.chain)
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
        by_role = [name for role in ("close", "sub", "room") for name, mic in self.mics.items() if mic.role == role]
        return by_role[0]


class MergedRecipe(BaseModel):
    """A recipe with where each value came from.

    source: the merged recipe as plain data, defaults not filled in (what the manifest shows). origins:
    'mics.sub.gain_db' -> 'house.yaml:7:9' or '--set'; what is absent is a default. Files are named from the
    recipe's folder. sha256: of the canonical JSON of `recipe`, all defaults filled in.
    """

    model_config = ConfigDict(frozen=True, defer_build=True)

    recipe: Recipe
    source: dict[str, Any]
    origins: dict[str, str]
    sha256: str
