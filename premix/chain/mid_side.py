"""mid_side: shapes the side signal of the guitar bus; the mono sum never changes."""

from typing import Annotated, ClassVar

from pydantic import Field

from premix.chain.butterworth_filter import AudioHz, SlopeDbOct
from premix.chain.processor import Place, Processor, Running, Setting
from premix.chain.sections import SectionFilter
from premix.dsp import butterworth
from premix.dsp.pan import add_to_side
from premix.model.analysis import FloatArray
from premix.units import db_to_gain


class MidSide(Processor):
    """Shapes the side signal: wider or narrower, and mono below a corner. The mono sum never changes."""

    kind: ClassVar[str] = "mid_side"
    places: ClassVar[tuple[Place, ...]] = ("guitar_bus",)

    side_gain_db: Annotated[float, Field(ge=-120.0, le=12.0, allow_inf_nan=False)] = Field(
        0.0, description="Gain of the side signal.", examples=[2]
    )
    side_high_pass_hz: AudioHz | None = Field(
        None, description="Below this corner the sides become one: the low end is mono.", examples=[120]
    )
    side_slope_db_oct: SlopeDbOct = Field(12, description="Slope of that high-pass.", examples=[12])

    def make(self, setting: Setting) -> Running:
        high_pass = None
        if self.side_high_pass_hz is not None:
            sections = butterworth.high_pass(self.side_high_pass_hz, self.side_slope_db_oct // 6, setting.rate)
            high_pass = SectionFilter(sections, 1)
        return _Side(db_to_gain(self.side_gain_db), high_pass)


class _Side(Running):
    """Adds to left, and takes from right, what the side signal changes by."""

    def __init__(self, gain: float, high_pass: SectionFilter | None) -> None:
        self._gain = gain
        self._high_pass = high_pass

    def process(self, block: FloatArray) -> FloatArray:
        side = 0.5 * (block[:1] - block[1:])
        wanted = side.copy() if self._high_pass is None else self._high_pass.process(side.copy())
        wanted *= self._gain
        add_to_side(block, (wanted - side)[0])
        return block
