"""The recipe (format 1) as a frozen, validated record: what the YAML may say and what it means.

Field descriptions, ranges, defaults and examples here and in the sections' own modules are the one source of
the JSON Schema, of the messages' "allowed" and of the recipe reference. The recipe room reads the YAML.
"""

from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from premix.model.recipe_output import (
    CENTRE_BUS,
    STANDING_BUSES,
    Bus,
    Deliver,
    GuitarBus,
    Limits,
    Variant,
    VariantMic,
    VariantPart,
)
from premix.model.recipe_settings import AlignmentSettings, Gate, GateOverrides
from premix.model.recipe_setup import Group, Mic, MicException, Performance, Tracks
from premix.model.recipe_values import (
    Chain,
    ChainStep,
    Delay,
    DelayByHand,
    FileKind,
    FormatNumber,
    Name,
    Polarity,
    Role,
    Section,
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
    gate: Gate = Field(
        default_factory=Gate, description="The gate of the room mics, keyed by the close mics."
    )
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
        by_role = [
            name for role in ("close", "sub", "room") for name, mic in self.mics.items() if mic.role == role
        ]
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
