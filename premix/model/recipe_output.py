"""Sections of a recipe about what comes out: buses, delivery, variants, limits."""

from typing import Annotated, Literal

from pydantic import Field

from premix.model.recipe_values import (
    Chain,
    Delay,
    FileKind,
    GainDb,
    Name,
    PanLawDb,
    Polarity,
    Section,
    Width,
)

CENTRE_BUS = "centre"
"""The bus that `guitar_bus_without_centre` leaves out, and that measures with/without centre name."""
STANDING_BUSES: dict[str, dict[str, float]] = {
    "left": {"pan": -1.0},
    "right": {"pan": 1.0},
    CENTRE_BUS: {"pan": 0.0, "gain_db": -12.0},
}
"""Buses that stand ready: what a recipe says of them is merged over this."""

_CHAIN_EXAMPLE = [{"high_pass": {"cutoff_hz": 80}}]


class Bus(Section):
    """Stems summed by side."""

    pan: Annotated[float, Field(ge=-1, le=1, allow_inf_nan=False)] = Field(
        0.0,
        description="-1: hard left, 0: centre, 1: hard right. Common practice: the sides are panned hard.",
        examples=[-1],
    )
    gain_db: GainDb = Field(
        0.0,
        description="Level of the bus in the guitar bus. Common practice: the centre sits about 12 dB under "
        "the sides.",
        examples=[-12],
    )
    mute: bool = Field(
        False, description="Leave this bus out of the guitar bus; it is not rendered.", examples=[True]
    )
    chain: Chain = Field((), description="Processors on the bus, in order.", examples=[_CHAIN_EXAMPLE])


class GuitarBus(Section):
    """All buses, stereo."""

    pan_law_db: PanLawDb = Field(
        -3.0,
        description="Level at the centre of a panned mono signal: -3 constant power (sin/cos, -3.01 dB), "
        "-6 linear, -4.5 the compromise between both, 0 no loss at the centre.",
        examples=[-3],
    )
    width: Width = Field(
        1.0,
        description="Gain of the side signal: 0 is mono, above 1 is wider; the mono sum never changes.",
        examples=[1.2],
    )
    gain_db: GainDb = Field(0.0, description="Level of the guitar bus.", examples=[-3])
    chain: Chain = Field((), description="Processors on the guitar bus, in order.", examples=[_CHAIN_EXAMPLE])


class Deliver(Section):
    """What is written, and how."""

    files: tuple[FileKind, ...] = Field(
        ("stems", "rooms", "buses", "guitar_bus"),
        description="Which files are written: stems, rooms, rooms_ungated, buses, guitar_bus, aligned_mics, "
        "guitar_bus_without_centre.",
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
    bits: Literal[16, 24, 32] = Field(
        24, description="Bits a sample: 16, 24, or 32 (float, wav only).", examples=[24]
    )
    rate: Literal["keep", 44100, 48000, 88200, 96000, 176400, 192000] = Field(
        "keep", description="Sample rate of the files, in Hz; keep: the tracks' own.", examples=[48000]
    )
    dither: Literal["auto", "tpdf", "none"] = Field(
        "auto",
        description="auto: TPDF at 16 bits, none at 24 (the mics' own noise is far above its step). "
        "Never on float.",
        examples=["tpdf"],
    )
    ceiling_dbtp: Annotated[float, Field(ge=-60, le=0, allow_inf_nan=False)] = Field(
        -1.0, description="True-peak ceiling of every file.", examples=[-1]
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
        default_factory=dict,
        description="Changes by performance.",
        examples=[{"left_b": {"mute": True}}],
    )
    buses: dict[Name, VariantPart] = Field(
        default_factory=dict, description="Changes by bus.", examples=[{"centre": {"gain_db": -9}}]
    )
    width: Width | None = Field(None, description="Width of the guitar bus.", examples=[1.2])


class Limits(Section):
    """What a CI run must hold; a limit broken or not measurable gives exit code 4, and the files are still written."""

    sum_efficiency_db: Annotated[float, Field(ge=-60, le=0, allow_inf_nan=False)] | None = Field(
        None,
        description="Lowest sum efficiency of any performance; 0 is every band of every mic in phase.",
        examples=[-1.5],
    )
    mono_fold_db: Annotated[float, Field(ge=-60, le=0, allow_inf_nan=False)] | None = Field(
        None, description="Lowest mono fold of the guitar bus: what mono playback loses.", examples=[-4.5]
    )
    correlation: Annotated[float, Field(ge=-1, le=1, allow_inf_nan=False)] | None = Field(
        None, description="Lowest correlation of the guitar bus's channels.", examples=[-0.2]
    )
    true_peak_dbtp: Annotated[float, Field(ge=-60, le=6, allow_inf_nan=False)] | None = Field(
        None, description="Highest true peak of any file.", examples=[-1]
    )
    stem_spread_lu: Annotated[float, Field(ge=0, le=60, allow_inf_nan=False)] | None = Field(
        None, description="Largest loudness difference between the stems of one bus.", examples=[3]
    )
    refused_mics: Annotated[int, Field(ge=0, le=10_000)] | None = Field(
        None, description="Most mics that may be refused.", examples=[0]
    )
    moved_mics: Annotated[int, Field(ge=0, le=10_000)] | None = Field(
        None, description="Most mics that may have been moved between performances.", examples=[0]
    )
