"""The alignment sheet: decisions as a file that people read, edit and approve, and a render repeats."""

import hashlib
from typing import Annotated, Literal

from pydantic import Field

from premix.model.recipe import Name, Section

Samples = Annotated[float, Field(ge=-400_000, le=400_000, allow_inf_nan=False)]


class SheetRotation(Section):
    """One all-pass: magnitude flat, phase turned around the corner."""

    order: Literal[1, 2] = Field(description="1: half a turn, 2: a whole turn.")
    corner_hz: Annotated[float, Field(gt=0, le=20_000, allow_inf_nan=False)] = Field(description="Corner in Hz.")
    q: Annotated[float, Field(gt=0, le=20, allow_inf_nan=False)] = Field(0.7071, description="Width, order 2 only.")


class SheetEntry(Section):
    """What is done to one mic of one performance."""

    polarity: Literal["normal", "inverted"] = Field(description="normal: as recorded. inverted: flipped.")
    delay_samples: Samples = Field(description="Positive: the mic is LATE and is advanced by that much.")
    sum: bool = Field(True, description="Whether the mic is part of the sum.")
    arrival_samples: Samples | None = Field(
        None, description="When the mic hears the guitar after the reference; times the gate of a room mic."
    )
    rotation: SheetRotation | None = Field(None, description="All-pass on this mic.")
    sha256: str | None = Field(
        None, description="Hash of the samples the decision was made on.", pattern=r"^[0-9a-f]{64}$"
    )


class Sheet(Section):
    """An alignment sheet, format 1."""

    sheet: Literal[1] = Field(description="The sheet's format; always 1.")
    song: str | None = Field(None, description="The song it was made for; for people.")
    rate: Annotated[int, Field(ge=1, le=1_000_000)] = Field(description="Sample rate of the tracks.")
    reference: Name = Field(description="The mic that stays.")
    performances: dict[Name, dict[Name, SheetEntry]] = Field(description="Decisions by performance and mic.")

    @property
    def sha256(self) -> str:
        """Hash of what the sheet says; comments and layout do not count."""
        return hashlib.sha256(self.model_dump_json().encode()).hexdigest()
