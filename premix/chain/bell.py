"""bell: lifts or lowers a band."""

from typing import ClassVar

from pydantic import Field

from premix.chain import cookbook
from premix.chain.cookbook import EqGainDb, EqHz, EqQ
from premix.chain.equaliser import Equaliser
from premix.model.analysis import FloatArray


class Bell(Equaliser):
    """Lifts or lowers a band around a frequency."""

    kind: ClassVar[str] = "bell"

    frequency_hz: EqHz = Field(description="Middle of the band.", examples=[2500])
    gain_db: EqGainDb = Field(description="Gain in the middle.", examples=[-3])
    q: EqQ = Field(1.0, description="Frequency over bandwidth: the higher, the narrower.", examples=[1.4])

    def sections(self, rate: int) -> FloatArray:
        return cookbook.bell(self.frequency_hz, self.gain_db, self.q, rate)
