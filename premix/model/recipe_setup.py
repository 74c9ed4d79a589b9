"""Sections of a recipe about what was recorded: file names, mics, performances, groups."""

from pydantic import Field

from premix.model.recipe_settings import GateOverrides
from premix.model.recipe_values import Alias, Chain, Delay, GainDb, Hz, Name, Polarity, Role, Section

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
    mute: bool = Field(
        False, description="Leave this mic out of the sum; it is still checked.", examples=[True]
    )
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
    chain: Chain = Field(
        (), description="Processors on this mic, before the sum, in order.", examples=[_CHAIN_EXAMPLE]
    )
    gate: GateOverrides | None = Field(
        None,
        description="Gate settings of this room mic alone; what is absent is taken from the recipe's gate.",
        examples=[{"hold_ms": 80}],
    )
    aliases: tuple[Alias, ...] = Field(
        (), description="Other names of this mic in file names.", examples=[["rib", "rbn"]]
    )
    optional: bool = Field(
        False, description="The mic may be missing in a song (not the reference).", examples=[True]
    )


class MicException(Section):
    """What differs for one mic in one performance; what is absent stays as the mic says."""

    gain_db: GainDb | None = Field(
        None, description="Level of this mic in this stem, instead of the mic's own.", examples=[-6]
    )
    mute: bool | None = Field(
        None, description="Leave this mic out of this performance's sum.", examples=[True]
    )
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
    optional: bool | None = Field(
        None, description="Whether this track may be missing in a song.", examples=[True]
    )


class Performance(Section):
    """One pass of the guitarist through the part."""

    bus: Name = Field(
        description="The bus this performance is sent to: the side it is heard on.", examples=["left"]
    )
    gain_db: GainDb = Field(
        0.0,
        description="Level of the stem and its rooms in the bus.",
        examples=[-2],
    )
    mute: bool = Field(
        False,
        description="Leave this performance out of its bus; its stem is not rendered.",
        examples=[True],
    )
    mics: dict[Name, MicException] = Field(
        default_factory=dict,
        description="Per-performance exceptions, by mic name.",
        examples=[{"ribbon": {"mute": True}}],
    )
    chain: Chain = Field(
        (),
        description="Processors on the stem, after the close mics are summed, in order.",
        examples=[_CHAIN_EXAMPLE],
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
