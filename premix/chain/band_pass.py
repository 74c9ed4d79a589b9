"""band_pass: keeps what lies between two corners."""

from collections.abc import Iterator
from typing import ClassVar

from pydantic import Field

from premix.chain.butterworth_filter import AudioHz, ButterworthFilter
from premix.chain.processor import Setting, Unfit
from premix.dsp import butterworth
from premix.model.analysis import FloatArray


class BandPass(ButterworthFilter):
    """Keeps what lies between two corners (Butterworth)."""

    kind: ClassVar[str] = "band_pass"

    low_hz: AudioHz = Field(description="Lower corner: -3.01 dB.", examples=[80])
    high_hz: AudioHz = Field(description="Upper corner: -3.01 dB.", examples=[5000])

    def problems(self, setting: Setting) -> Iterator[Unfit]:
        yield from super().problems(setting)
        if self.low_hz >= self.high_hz:
            yield Unfit("low_hz", f"{self.low_hz:g} Hz is not below {self.high_hz:g} Hz", "the lower corner first")

    def sections(self, rate: int) -> FloatArray:
        return butterworth.band_pass(self.low_hz, self.high_hz, self.slope_db_oct // 6, rate)
