"""The kinds of values that stand in a recipe, with their ranges, and the base of all its sections."""

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, WithJsonSchema

FORMAT = 1
PAN_LAWS_DB = (0.0, -3.0, -4.5, -6.0)


def _a_pan_law(value: float) -> float:
    if value not in PAN_LAWS_DB:
        raise ValueError("no pan law")
    return value


FormatNumber = Annotated[
    int, Field(ge=FORMAT, le=FORMAT), WithJsonSchema({"const": FORMAT, "type": "integer"})
]
"""A bounded int rather than a Literal: `true` equals 1, and a Literal would let it pass."""
GainDb = Annotated[float, Field(ge=-120.0, le=40.0, allow_inf_nan=False)]
TimeMs = Annotated[float, Field(ge=0.0, le=10_000.0, allow_inf_nan=False)]
LookaheadMs = Annotated[float, Field(ge=0, le=200, allow_inf_nan=False)]
Hz = Annotated[float, Field(gt=0.0, le=192_000.0, allow_inf_nan=False)]
ThresholdDb = Annotated[float, Field(ge=-120, le=0, allow_inf_nan=False)]
HysteresisDb = Annotated[float, Field(ge=0, le=40, allow_inf_nan=False)]
RangeDb = Annotated[float, Field(ge=0, le=140, allow_inf_nan=False)]
Ratio = Annotated[float, Field(ge=1, le=100, allow_inf_nan=False)]
Width = Annotated[float, Field(ge=0, le=2, allow_inf_nan=False)]
PanLawDb = Annotated[
    float, AfterValidator(_a_pan_law), WithJsonSchema({"enum": [0, -3, -4.5, -6], "type": "number"})
]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]*$", max_length=64)]
Alias = Annotated[str, Field(min_length=1, max_length=200)]

Auto = Literal["auto"]
Polarity = Literal["auto", "normal", "inverted"]
Role = Literal["close", "sub", "room"]
GateMode = Literal["gate", "follow", "off"]
GateKey = Literal["performance", "all"]
FileKind = Literal[
    "stems", "rooms", "rooms_ungated", "buses", "guitar_bus", "aligned_mics", "guitar_bus_without_centre"
]


class Section(BaseModel):
    """Base of all recipe sections: unknown keys refused, values never coerced, instances frozen."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, defer_build=True)


class DelayByHand(Section):
    """A delay given by hand: exactly one unit. Positive: the mic is LATE and is advanced by that much."""

    ms: Annotated[float, Field(ge=-2000, le=2000, allow_inf_nan=False)] | None = Field(
        None, description="Delay in milliseconds.", examples=[0.35]
    )
    samples: Annotated[float, Field(ge=-400_000, le=400_000, allow_inf_nan=False)] | None = Field(
        None, description="Delay in samples at the tracks' rate; fractions are allowed.", examples=[16.8]
    )
    cm: Annotated[float, Field(ge=-70_000, le=70_000, allow_inf_nan=False)] | None = Field(
        None,
        description="Delay as the distance that sound travels in it, at the recipe's temperature.",
        examples=[12],
    )


Delay = Literal["auto", "none"] | DelayByHand


class ChainStep(Section):
    """One processor of a chain: its kind and its parameters (checked against the processor table)."""

    kind: str
    params: dict[str, Any] = Field(default_factory=dict)


Chain = tuple[ChainStep, ...]
