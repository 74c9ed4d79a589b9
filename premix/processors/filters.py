"""What high-pass, low-pass and band-pass share: Butterworth sections, minimum-phase or with the phase taken out.

high_pass: takes out what lies below a corner.

low_pass: takes out what lies above a corner.

band_pass: keeps what lies between two corners.
"""

import math
from abc import abstractmethod
from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from premix.arrays import ComplexArray, FloatArray
from premix.audio import filters as butterworth
from premix.audio.filters import sections_response
from premix.processors.base import Processor, Running, SectionFilter, Setting, Unfit
from premix.processors.space import convolver

Phase = Literal["minimum", "linear"]
SlopeDbOct = Literal[6, 12, 18, 24, 30, 36, 42, 48]
AudioHz = Annotated[float, Field(ge=10.0, le=86_400.0, allow_inf_nan=False)]
_DECAY = math.log(10.0 ** (120.0 / 20.0))
"""A linear-phase kernel is as long as it takes to fall by 120 dB."""


class ButterworthFilter(Processor):
    """Base of the Butterworth processors."""

    slope_db_oct: SlopeDbOct = Field(12, description="Slope beyond the corner, in dB per octave.", examples=[24])
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


class HighPass(ButterworthFilter):
    """Takes out what lies below a corner: rumble, handling noise, boom (Butterworth)."""

    kind: ClassVar[str] = "high_pass"

    cutoff_hz: AudioHz = Field(description="Corner: -3.01 dB.", examples=[80])

    def sections(self, rate: int) -> FloatArray:
        return butterworth.high_pass(self.cutoff_hz, self.slope_db_oct // 6, rate)


class LowPass(ButterworthFilter):
    """Takes out what lies above a corner: keeps a sub mic to its octave, takes off fizz (Butterworth)."""

    kind: ClassVar[str] = "low_pass"

    cutoff_hz: AudioHz = Field(description="Corner: -3.01 dB.", examples=[180])

    def sections(self, rate: int) -> FloatArray:
        return butterworth.low_pass(self.cutoff_hz, self.slope_db_oct // 6, rate)


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
