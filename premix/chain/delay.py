"""delay: lets the signal sound later, to a fraction of a sample."""

from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from premix.chain.partitions import convolver
from premix.chain.processor import Processor, Running, Setting
from premix.dsp.delay_line import DelayLine
from premix.dsp.fractional import TAPS, advance_fir, split_delay
from premix.model.analysis import ComplexArray, FloatArray
from premix.units import ms_to_samples


class Delay(Processor):
    """Lets the signal sound later. Unlike latency it is heard: it is not compensated."""

    kind: ClassVar[str] = "delay"

    delay_ms: Annotated[float, Field(ge=0.0, le=1000.0, allow_inf_nan=False)] = Field(
        description="How much later; fractions of a sample are kept.", examples=[12]
    )

    def make(self, setting: Setting) -> Running:
        return _Later(ms_to_samples(self.delay_ms, setting.rate), setting.channels)

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        turned: ComplexArray = np.exp(-2j * np.pi * freqs_hz * (self.delay_ms / 1000.0))
        return turned


class _Later(Running):
    """A delay line, and a short filter for the fraction of a sample."""

    def __init__(self, samples: float, channels: int) -> None:
        whole, rest = split_delay(samples)
        self._line = DelayLine(channels, whole)
        self._fraction = None
        if rest != 0.0:
            self._fraction = convolver(advance_fir(-rest), channels, latency=TAPS // 2 - 1)
            self.latency_samples = self._fraction.latency_samples

    def process(self, block: FloatArray) -> FloatArray:
        block = self._line.process(block)
        return block if self._fraction is None else self._fraction.process(block)
