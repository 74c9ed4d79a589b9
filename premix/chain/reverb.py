"""reverb: pedalboard's reverberator beside the 64-bit dry signal."""

from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import Field

from premix.chain.processor import Processor, Running, Setting
from premix.chain.rows import InRows
from premix.model.analysis import FloatArray

_ROW = 1024
_WET = 1.0 / 3.0
"""The library multiplies its wet level by three."""
Part = Annotated[float, Field(ge=0.0, le=1.0, allow_inf_nan=False)]


class Reverb(Processor):
    """A simple artificial room, for colour. The tail ends with the file."""

    kind: ClassVar[str] = "reverb"

    mix: Part = Field(0.15, description="Part of the reverb in the sum; the dry signal is the rest.", examples=[0.15])
    room_size: Part = Field(0.5, description="How long it rings.", examples=[0.3])
    damping: Part = Field(0.5, description="How fast the highs die.", examples=[0.5])
    width: Part = Field(1.0, description="How wide it is; on the guitar bus only.", examples=[1])

    def make(self, setting: Setting) -> Running:
        return InRows(_Room(self, setting.rate).work, setting.channels, _ROW)


class _Room:
    def __init__(self, settings: Reverb, rate: int) -> None:
        import pedalboard  # slow to import

        self._rate, self._mix = rate, settings.mix
        self._reverb: Any = pedalboard.Reverb(
            room_size=settings.room_size, damping=settings.damping, width=settings.width, wet_level=_WET, dry_level=0.0
        )

    def work(self, row: FloatArray) -> FloatArray:
        wet = self._reverb.process(row.astype(np.float32), self._rate, buffer_size=_ROW, reset=False)
        made: FloatArray = (1.0 - self._mix) * row + self._mix * wet.astype(np.float64)
        return made
