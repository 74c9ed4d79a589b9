"""high_pass: takes out what lies below a corner."""

from typing import ClassVar

from pydantic import Field

from premix.chain.butterworth_filter import AudioHz, ButterworthFilter
from premix.dsp import butterworth
from premix.model.analysis import FloatArray


class HighPass(ButterworthFilter):
    """Takes out what lies below a corner: rumble, handling noise, boom (Butterworth)."""

    kind: ClassVar[str] = "high_pass"

    cutoff_hz: AudioHz = Field(description="Corner: -3.01 dB.", examples=[80])

    def sections(self, rate: int) -> FloatArray:
        return butterworth.high_pass(self.cutoff_hz, self.slope_db_oct // 6, rate)
