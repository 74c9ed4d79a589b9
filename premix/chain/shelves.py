"""low_shelf and high_shelf: lift or lower one end of the spectrum."""

from typing import ClassVar

from pydantic import Field

from premix.chain import cookbook
from premix.chain.cookbook import EqGainDb, EqHz, EqQ
from premix.chain.equaliser import Equaliser
from premix.model.analysis import FloatArray


class _Shelf(Equaliser):
    """What both shelves share."""

    high: ClassVar[bool]

    frequency_hz: EqHz = Field(description="Middle of the slope: half of the gain, in dB.", examples=[120])
    gain_db: EqGainDb = Field(description="Gain on the shelf.", examples=[-2])
    q: EqQ = Field(
        0.7071, description="Steepness; above 0.7071 the slope overshoots.", examples=[0.7071]
    )

    def sections(self, rate: int) -> FloatArray:
        return cookbook.shelf(self.frequency_hz, self.gain_db, self.q, rate, high=self.high)


class LowShelf(_Shelf):
    """Lifts or lowers everything below a frequency."""

    kind: ClassVar[str] = "low_shelf"
    high: ClassVar[bool] = False


class HighShelf(_Shelf):
    """Lifts or lowers everything above a frequency."""

    kind: ClassVar[str] = "high_shelf"
    high: ClassVar[bool] = True
