"""Sections of bells, shelves and notches: R. Bristow-Johnson, Cookbook formulae for audio EQ biquad coefficients.

Published as W3C Note "Audio EQ Cookbook" (2021). Rows are (b0, b1, b2, a0 = 1, a1, a2), as in scipy.signal.

What the equalisers share: second-order sections that are always minimum-phase.

bell: lifts or lowers a band.

notch: takes out mains hum and its harmonics.

low_shelf and high_shelf: lift or lower one end of the spectrum.

tilt: leans the whole spectrum about one frequency.
"""

import math
from abc import abstractmethod
from collections.abc import Iterator
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from premix.arrays import ComplexArray, FloatArray
from premix.audio.filters import sections_response
from premix.processors.base import HIGHEST, Processor, Running, SectionFilter, Setting, Unfit
from premix.units import db_to_gain

EqHz = Annotated[float, Field(ge=10.0, le=86_400.0, allow_inf_nan=False)]
EqGainDb = Annotated[float, Field(ge=-36.0, le=36.0, allow_inf_nan=False)]
EqQ = Annotated[float, Field(ge=0.1, le=40.0, allow_inf_nan=False)]


def bell(frequency_hz: float, gain_db: float, q: float, rate: int) -> FloatArray:
    """peakingEQ: `gain_db` at the frequency, 0 dB far from it."""
    a, cos, alpha = _common(frequency_hz, gain_db, q, rate)
    return _section((1.0 + alpha * a, -2.0 * cos, 1.0 - alpha * a), (1.0 + alpha / a, -2.0 * cos, 1.0 - alpha / a))


def notch(frequency_hz: float, q: float, rate: int) -> FloatArray:
    """notch: nothing is left at the frequency; -3 dB at the edges of a band of frequency / q."""
    _, cos, alpha = _common(frequency_hz, 0.0, q, rate)
    return _section((1.0, -2.0 * cos, 1.0), (1.0 + alpha, -2.0 * cos, 1.0 - alpha))


def shelf(frequency_hz: float, gain_db: float, q: float, rate: int, *, high: bool) -> FloatArray:
    """lowShelf or highShelf: `gain_db` on one side, 0 dB on the other, half of it at the frequency."""
    a, cos, alpha = _common(frequency_hz, gain_db, q, rate)
    s = -1.0 if high else 1.0  # the high shelf is the low one with the sign of the cosine turned
    root = 2.0 * math.sqrt(a) * alpha
    up, down = a + 1.0, a - 1.0
    return _section(
        (a * (up - s * down * cos + root), s * 2.0 * a * (down - s * up * cos), a * (up - s * down * cos - root)),
        (up + s * down * cos + root, s * -2.0 * (down + s * up * cos), up + s * down * cos - root),
    )


def _common(frequency_hz: float, gain_db: float, q: float, rate: int) -> tuple[float, float, float]:
    angle = 2.0 * math.pi * frequency_hz / rate
    return 10.0 ** (gain_db / 40.0), math.cos(angle), math.sin(angle) / (2.0 * q)


def _section(b: tuple[float, float, float], a: tuple[float, float, float]) -> FloatArray:
    return np.array([[*b, *a]]) / a[0]


class Equaliser(Processor):
    """Base of the processors that are sections and nothing else."""

    @abstractmethod
    def sections(self, rate: int) -> FloatArray:
        """The sections (n, 6)."""

    def make(self, setting: Setting) -> Running:
        return SectionFilter(self.sections(setting.rate), setting.channels)

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        return sections_response(self.sections(setting.rate), freqs_hz, setting.rate)


class Bell(Equaliser):
    """Lifts or lowers a band around a frequency."""

    kind: ClassVar[str] = "bell"

    frequency_hz: EqHz = Field(description="Middle of the band.", examples=[2500])
    gain_db: EqGainDb = Field(description="Gain in the middle.", examples=[-3])
    q: EqQ = Field(1.0, description="Frequency over bandwidth: the higher, the narrower.", examples=[1.4])

    def sections(self, rate: int) -> FloatArray:
        return bell(self.frequency_hz, self.gain_db, self.q, rate)


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
        return np.concatenate([notch(tone, tone / self.width_hz, rate) for tone in tones])


class _Shelf(Equaliser):
    """What both shelves share."""

    high: ClassVar[bool]

    frequency_hz: EqHz = Field(description="Middle of the slope: half of the gain, in dB.", examples=[120])
    gain_db: EqGainDb = Field(description="Gain on the shelf.", examples=[-2])
    q: EqQ = Field(0.7071, description="Steepness; above 0.7071 the slope overshoots.", examples=[0.7071])

    def sections(self, rate: int) -> FloatArray:
        return shelf(self.frequency_hz, self.gain_db, self.q, rate, high=self.high)


class LowShelf(_Shelf):
    """Lifts or lowers everything below a frequency."""

    kind: ClassVar[str] = "low_shelf"
    high: ClassVar[bool] = False


class HighShelf(_Shelf):
    """Lifts or lowers everything above a frequency."""

    kind: ClassVar[str] = "high_shelf"
    high: ClassVar[bool] = True


class Tilt(Equaliser):
    """Leans the spectrum about a frequency: brighter above and thinner below, or the other way round."""

    kind: ClassVar[str] = "tilt"

    pivot_hz: EqHz = Field(800.0, description="Where the level stays what it is.", examples=[800])
    gain_db: EqGainDb = Field(
        description="Gain far above the pivot; far below it is as much the other way.", examples=[1.5]
    )

    def sections(self, rate: int) -> FloatArray:
        """H(s) = (g s + 1) / (s + g) at s = jw / pivot: 1/g at DC, g at the top, magnitude 1 at the pivot."""
        g, k = db_to_gain(self.gain_db), math.tan(math.pi * self.pivot_hz / rate)
        return np.array([[g + k, k - g, 0.0, 1.0 + g * k, g * k - 1.0, 0.0]]) / (1.0 + g * k)
