"""Sections of a recipe about how the stages work: alignment and gate."""

from typing import Annotated, Literal

from pydantic import Field

from premix.model.recipe_values import (
    Auto,
    GateKey,
    GateMode,
    HysteresisDb,
    Hz,
    LookaheadMs,
    Name,
    RangeDb,
    Ratio,
    Section,
    ThresholdDb,
    TimeMs,
)


class AlignmentSettings(Section):
    """How polarity and delay are found."""

    reference: Name | None = Field(
        None,
        description="The mic that stays where it was recorded, so that the stems stay in time with the song; "
        "the others move to it. Default: the first close mic.",
        examples=["dynamic"],
    )
    search_ms: Annotated[float, Field(gt=0, le=2000, allow_inf_nan=False)] = Field(
        4.0,
        description="How far a close mic may be from the reference, either way. Above 20 ms a coarse search "
        "for odd file starts comes first.",
        examples=[4],
    )
    room_search_ms: Annotated[float, Field(gt=0, le=200, allow_inf_nan=False)] = Field(
        40.0,
        description="How far a room mic's first sound may be from the close mics.",
        examples=[40],
    )
    pool: bool = Field(
        True,
        description="Mics do not move between performances: estimate from all of them together.",
        examples=[True],
    )
    refused: Literal["stop", "mute", "keep"] = Field(
        "stop",
        description="A mic that cannot be aligned: stop (exit 1, nothing written), mute, or keep "
        "(summed as recorded).",
        examples=["mute"],
    )
    rotate: Literal["off", "auto"] = Field(
        "off",
        description="auto: at most one all-pass a mic where delay and polarity cannot reach, when it gains "
        "at least 0.1 dB of sum efficiency; the level of every frequency stays.",
        examples=["auto"],
    )
    temperature_c: Annotated[float, Field(ge=-20, le=50, allow_inf_nan=False)] = Field(
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
        "all: any performance opens every room.",
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
        2.0,
        description="Time of the opening ramp (linear in dB); below about 1 ms it may click.",
        examples=[2],
    )
    hold_ms: TimeMs = Field(
        40.0, description="How long the room stays open after the riff has stopped.", examples=[40]
    )
    release_ms: TimeMs = Field(
        60.0,
        description="Time of the closing ramp (linear in dB): short is tight, long lets the room ring.",
        examples=[60],
    )
    range_db: RangeDb = Field(
        60.0,
        description="Attenuation when closed: 60 is silence, 12 leaves a little air in the stops.",
        examples=[60],
    )
    lookahead_ms: LookaheadMs = Field(
        5.0,
        description="How early before a start the gate is fully open, so that no pick attack is lost.",
        examples=[5],
    )
    ratio: Ratio = Field(
        3.0,
        description="follow mode: dB of attenuation per dB below the threshold, less one "
        "(3: 1 dB below gives 2 dB).",
        examples=[3],
    )
    band_hz: tuple[Hz, Hz] | None = Field(
        None,
        description="Band of the key, low and high end, so that thumps and hiss do not open the gate. "
        "Default: 80 to 5000.",
        examples=[[80, 5000]],
    )
    invert: bool = Field(
        False, description="The room is heard only in the stops, as an effect.", examples=[True]
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
