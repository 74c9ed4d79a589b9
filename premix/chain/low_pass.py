"""low_pass: takes out what lies above a corner."""

from typing import ClassVar

from pydantic import Field

from premix.chain.butterworth_filter import AudioHz, ButterworthFilter
from premix.dsp import butterworth
from premix.model.analysis import FloatArray


class LowPass(ButterworthFilter):
    """Takes out what lies above a corner: keeps a sub mic to its octave, takes off fizz (Butterworth)."""

    kind: ClassVar[str] = "low_pass"

    cutoff_hz: AudioHz = Field(description="Corner: -3.01 dB.", examples=[180])

    def sections(self, rate: int) -> FloatArray:
        return butterworth.low_pass(self.cutoff_hz, self.slope_db_oct // 6, rate)
