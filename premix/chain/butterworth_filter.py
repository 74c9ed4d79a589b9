"""What high-pass, low-pass and band-pass share: Butterworth sections, minimum-phase or with the phase taken out."""

import math
from abc import abstractmethod
from collections.abc import Iterator
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from premix.chain.partitions import convolver
from premix.chain.processor import Processor, Running, Setting, Unfit
from premix.chain.sections import SectionFilter
from premix.dsp.mic_filters import sections_response
from premix.model.analysis import ComplexArray, FloatArray

Phase = Literal["minimum", "linear"]
SlopeDbOct = Literal[6, 12, 18, 24, 30, 36, 42, 48]
AudioHz = Annotated[float, Field(ge=10.0, le=86_400.0, allow_inf_nan=False)]
_DECAY = math.log(10.0 ** (120.0 / 20.0))
"""A linear-phase kernel is as long as it takes to fall by 120 dB."""


class ButterworthFilter(Processor):
    """Base of the Butterworth processors."""

    slope_db_oct: SlopeDbOct = Field(
        12, description="Slope beyond the corner, in dB per octave.", examples=[24]
    )
    phase: Phase = Field(
        "minimum",
        description="minimum: no latency, the phase turns as in any filter. linear: the same magnitude, the phase "
        "untouched (the delay is compensated): for one mic of several, where the alignment must not move. Slopes of "
        "12, 24, 36 and 48 only.",
        examples=["linear"],
    )

    def problems(self, setting: Setting) -> Iterator[Unfit]:
        yield from super().problems(setting)
        if self.phase == "linear" and self.slope_db_oct % 12:
            # The magnitude of an odd order has a kink at 0 Hz or at Nyquist, and its kernel never dies.
            yield Unfit("slope_db_oct", f"{self.slope_db_oct} dB/oct has no linear phase", "12, 24, 36 or 48")

    @abstractmethod
    def sections(self, rate: int) -> FloatArray:
        """The sections (n, 6) of the minimum-phase filter."""

    def make(self, setting: Setting) -> Running:
        sections = self.sections(setting.rate)
        if self.phase == "minimum":
            return SectionFilter(sections, setting.channels)
        kernel = zero_phase_kernel(sections)
        return convolver(kernel, setting.channels, latency=len(kernel) // 2)

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        turned = sections_response(self.sections(setting.rate), freqs_hz, setting.rate)
        return turned if self.phase == "minimum" else np.abs(turned).astype(np.complex128)


def zero_phase_kernel(sections: FloatArray) -> FloatArray:
    """FIR (2 n + 1,) with the sections' magnitude and no phase but the delay of n samples."""
    poles = np.concatenate([np.roots(section[3:]) for section in sections])
    half = math.ceil(_DECAY / -math.log(float(np.abs(poles).max())))
    size = 1 << (8 * half).bit_length()
    freqs = np.arange(size // 2 + 1) / size
    magnitude = np.abs(sections_response(sections, freqs, 1))
    around = np.fft.irfft(magnitude, size)
    kernel: FloatArray = np.concatenate([around[-half:], around[: half + 1]])
    return kernel
