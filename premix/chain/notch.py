"""notch: takes out mains hum and its harmonics."""

from collections.abc import Iterator
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from premix.chain import cookbook
from premix.chain.equaliser import Equaliser
from premix.chain.processor import HIGHEST, Setting, Unfit
from premix.model.analysis import FloatArray


class Notch(Equaliser):
    """Takes out a steady tone and its harmonics: mains hum."""

    kind: ClassVar[str] = "notch"

    frequency_hz: Annotated[float, Field(ge=10.0, le=20_000.0, allow_inf_nan=False)] = Field(
        description="The tone: 50 or 60 Hz for mains hum.", examples=[50]
    )
    harmonics: Annotated[int, Field(ge=1, le=40)] = Field(
        1, description="How many multiples of it, itself included.", examples=[5]
    )
    width_hz: Annotated[float, Field(ge=0.1, le=100.0, allow_inf_nan=False)] = Field(
        2.0, description="Width of each notch between its -3 dB points; narrow ones ring longer.", examples=[2]
    )

    def problems(self, setting: Setting) -> Iterator[Unfit]:
        yield from super().problems(setting)
        most = int(HIGHEST * setting.rate / self.frequency_hz)
        if 1 <= most < self.harmonics:
            top = self.harmonics * self.frequency_hz
            what = f"the last harmonic, {top:g} Hz, is too high for tracks at {setting.rate} Hz"
            yield Unfit("harmonics", what, f"at most {most}")

    def sections(self, rate: int) -> FloatArray:
        tones = [self.frequency_hz * (k + 1) for k in range(self.harmonics)]
        return np.concatenate([cookbook.notch(tone, tone / self.width_hz, rate) for tone in tones])
