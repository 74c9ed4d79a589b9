"""Processors that are second-order sections: high-, low- and band-pass (Butterworth), bell, shelves, tilt, notch.

All are minimum-phase; the Butterworth ones may have their phase taken out. Bells, shelves and notches follow
R. Bristow-Johnson, Cookbook formulae for audio EQ biquad coefficients (W3C Note "Audio EQ Cookbook", 2021).
"""

import math
from abc import abstractmethod
from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

import numpy as np
from pydantic import Field

from premix.arrays import ComplexArray, FloatArray
from premix.audio.filters import band_pass, bilinear, high_pass, low_pass, sections_response, warped
from premix.processors.base import HIGHEST, AudioHz, Filtered, Processor, Running, Setting, Unfit, between
from premix.processors.space import Convolver
from premix.units import db_to_gain

Phase = Literal["minimum", "linear"]
SlopeDbOct = Literal[6, 12, 18, 24, 30, 36, 42, 48]
EqGainDb = Annotated[float, between(-36.0, 36.0)]
EqQ = Annotated[float, between(0.1, 40.0)]


class Equaliser(Processor):
    """Base of the processors that are sections and nothing else."""

    @abstractmethod
    def sections(self, rate: int) -> FloatArray:
        """The sections (n, 6) of the minimum-phase filter, rows as in `premix.audio.filters`."""

    def make(self, setting: Setting) -> Running:
        return Filtered(self.sections(setting.rate), setting.channels)

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        return sections_response(self.sections(setting.rate), freqs_hz, setting.rate)


class ButterworthFilter(Equaliser):
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

    def make(self, setting: Setting) -> Running:
        if self.phase == "minimum":
            return super().make(setting)
        kernel = _zero_phase_kernel(self.sections(setting.rate))
        return Convolver(kernel, setting.channels, latency=len(kernel) // 2)

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        turned = sections_response(self.sections(setting.rate), freqs_hz, setting.rate)
        return turned if self.phase == "minimum" else np.abs(turned).astype(np.complex128)


_DECAY = math.log(10.0 ** (120.0 / 20.0))
"""A linear-phase kernel is as long as it takes to fall by 120 dB."""


def _zero_phase_kernel(sections: FloatArray) -> FloatArray:
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
        return high_pass(self.cutoff_hz, self.slope_db_oct // 6, rate)


class LowPass(ButterworthFilter):
    """Takes out what lies above a corner: keeps a sub mic to its octave, takes off fizz (Butterworth)."""

    kind: ClassVar[str] = "low_pass"

    cutoff_hz: AudioHz = Field(description="Corner: -3.01 dB.", examples=[180])

    def sections(self, rate: int) -> FloatArray:
        return low_pass(self.cutoff_hz, self.slope_db_oct // 6, rate)


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
        return band_pass(self.low_hz, self.high_hz, self.slope_db_oct // 6, rate)


def _cookbook(frequency_hz: float, gain_db: float, q: float, rate: int) -> tuple[float, float, float]:
    """The cookbook's A, cos w0 and alpha."""
    angle = 2.0 * math.pi * frequency_hz / rate
    return 10.0 ** (gain_db / 40.0), math.cos(angle), math.sin(angle) / (2.0 * q)


def _section(b: tuple[float, float, float], a: tuple[float, float, float]) -> FloatArray:
    return np.array([[*b, *a]]) / a[0]


class Bell(Equaliser):
    """Lifts or lowers a band around a frequency."""

    kind: ClassVar[str] = "bell"

    frequency_hz: AudioHz = Field(description="Middle of the band.", examples=[2500])
    gain_db: EqGainDb = Field(description="Gain in the middle.", examples=[-3])
    q: EqQ = Field(1.0, description="Frequency over bandwidth: the higher, the narrower.", examples=[1.4])

    def sections(self, rate: int) -> FloatArray:
        """peakingEQ: `gain_db` at the frequency, 0 dB far from it."""
        a, cos, alpha = _cookbook(self.frequency_hz, self.gain_db, self.q, rate)
        return _section((1.0 + alpha * a, -2.0 * cos, 1.0 - alpha * a), (1.0 + alpha / a, -2.0 * cos, 1.0 - alpha / a))


class _Shelf(Equaliser):
    """What both shelves share. sign: of the cosine; the high shelf is the low one with the sign turned."""

    sign: ClassVar[float]

    frequency_hz: AudioHz = Field(description="Middle of the slope: half of the gain, in dB.", examples=[120])
    gain_db: EqGainDb = Field(description="Gain on the shelf.", examples=[-2])
    q: EqQ = Field(0.7071, description="Steepness; above 0.7071 the slope overshoots.", examples=[0.7071])

    def sections(self, rate: int) -> FloatArray:
        """lowShelf or highShelf: `gain_db` on one side, 0 dB on the other, half of it at the frequency."""
        a, cos, alpha = _cookbook(self.frequency_hz, self.gain_db, self.q, rate)
        s, root = self.sign, 2.0 * math.sqrt(a) * alpha
        up, down = a + 1.0, a - 1.0
        return _section(
            (a * (up - s * down * cos + root), s * 2.0 * a * (down - s * up * cos), a * (up - s * down * cos - root)),
            (up + s * down * cos + root, s * -2.0 * (down + s * up * cos), up + s * down * cos - root),
        )


class LowShelf(_Shelf):
    """Lifts or lowers everything below a frequency."""

    kind: ClassVar[str] = "low_shelf"
    sign: ClassVar[float] = 1.0


class HighShelf(_Shelf):
    """Lifts or lowers everything above a frequency."""

    kind: ClassVar[str] = "high_shelf"
    sign: ClassVar[float] = -1.0


class Tilt(Equaliser):
    """Leans the spectrum about a frequency: brighter above and thinner below, or the other way round."""

    kind: ClassVar[str] = "tilt"

    pivot_hz: AudioHz = Field(800.0, description="Where the level stays what it is.", examples=[800])
    gain_db: EqGainDb = Field(
        description="Gain far above the pivot; far below it is as much the other way.", examples=[1.5]
    )

    def sections(self, rate: int) -> FloatArray:
        """H(s) = (g s + 1) / (s + g) at s = jw / pivot: 1/g at DC, g at the top, magnitude 1 at the pivot."""
        g = db_to_gain(self.gain_db)
        return np.array([bilinear((g, 1.0), (1.0, g), warped(self.pivot_hz, rate))])


class Notch(Equaliser):
    """Takes out a steady tone and its harmonics: mains hum."""

    kind: ClassVar[str] = "notch"

    frequency_hz: Annotated[float, between(10.0, 20_000.0)] = Field(
        description="The tone: 50 or 60 Hz for mains hum.", examples=[50]
    )
    harmonics: Annotated[int, Field(ge=1, le=40)] = Field(
        1, description="How many multiples of it, itself included.", examples=[5]
    )
    width_hz: Annotated[float, between(0.1, 100.0)] = Field(
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
        """notch, one a tone: nothing is left at its frequency; -3 dB at the edges of a band of frequency / q."""
        rows = []
        for tone in (self.frequency_hz * (k + 1) for k in range(self.harmonics)):
            _, cos, alpha = _cookbook(tone, 0.0, tone / self.width_hz, rate)
            rows.append(_section((1.0, -2.0 * cos, 1.0), (1.0 + alpha, -2.0 * cos, 1.0 - alpha)))
        return np.concatenate(rows)
