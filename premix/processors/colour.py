"""Level, polarity, stereo width and saturation: gain, polarity, mid_side, saturation."""

from abc import abstractmethod
from functools import cache
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from premix.arrays import ComplexArray, FloatArray
from premix.audio.filters import high_pass
from premix.audio.gains import add_to_side
from premix.model.settings import GainDb
from premix.processors.base import AudioHz, Filtered, InRows, Place, Processor, Running, Setting, between
from premix.processors.equalisers import SlopeDbOct
from premix.units import db_to_gain


class _Level(Processor):
    """Base of the processors that multiply every sample by one factor."""

    @abstractmethod
    def factor(self) -> float:
        """The linear gain."""

    def make(self, setting: Setting) -> Running:
        return _Times(self.factor())

    def response(self, freqs_hz: FloatArray, setting: Setting) -> ComplexArray | None:
        return np.full(len(freqs_hz), self.factor(), np.complex128)


class _Times(Running):
    def __init__(self, factor: float) -> None:
        self._factor = factor

    def process(self, block: FloatArray) -> FloatArray:
        block *= self._factor
        return block


class Gain(_Level):
    """A level inside a chain: how hard the next processor is driven."""

    kind: ClassVar[str] = "gain"

    gain_db: GainDb = Field(description="Gain.", examples=[-6])

    def factor(self) -> float:
        return db_to_gain(self.gain_db)


class Polarity(_Level):
    """Turns the signal over. On a mic, `polarity: inverted` says the same."""

    kind: ClassVar[str] = "polarity"

    def factor(self) -> float:
        return -1.0


class MidSide(Processor):
    """Shapes the side signal: wider or narrower, and mono below a corner. The mono sum never changes."""

    kind: ClassVar[str] = "mid_side"
    places: ClassVar[tuple[Place, ...]] = ("guitar_bus",)

    side_gain_db: Annotated[float, between(-120.0, 12.0)] = Field(
        0.0, description="Gain of the side signal.", examples=[2]
    )
    side_high_pass_hz: AudioHz | None = Field(
        None, description="Below this corner the sides become one: the low end is mono.", examples=[120]
    )
    side_slope_db_oct: SlopeDbOct = Field(12, description="Slope of that high-pass.", examples=[12])

    def make(self, setting: Setting) -> Running:
        sections = np.zeros((0, 6))
        if self.side_high_pass_hz is not None:
            sections = high_pass(self.side_high_pass_hz, self.side_slope_db_oct // 6, setting.rate)
        return _Side(db_to_gain(self.side_gain_db), Filtered(sections))


class _Side(Running):
    """Adds to left, and takes from right, what the side signal changes by."""

    def __init__(self, gain: float, high_pass: Filtered) -> None:
        self._gain, self._high_pass = gain, high_pass

    def process(self, block: FloatArray) -> FloatArray:
        side = 0.5 * (block[:1] - block[1:])
        wanted = self._high_pass.process(side.copy())
        wanted *= self._gain
        add_to_side(block, (wanted - side)[0])
        return block


_OVER = 8
_FFT = 2048
_HALF = 64
"""Samples that the filter before and the filter after the curve each reach to either side."""
_HISTORY = 4 * _HALF
_ROW = _FFT - _HISTORY
_KAISER_BETA = 10.0  # stop band below -100 dB
_CORNER = 0.95
"""Middle of the filters' slope, against Nyquist; the slope is 0.1 wide."""


class Saturation(Processor):
    """Rounds the peaks off: tanh at eight times the rate; soft passages stay at their level."""

    kind: ClassVar[str] = "saturation"

    drive_db: Annotated[float, between(0.0, 20.0)] = Field(
        description="How far a full-scale peak is driven into the curve; the ceiling falls by as much.", examples=[6]
    )
    gain_db: GainDb = Field(0.0, description="Gain after the curve.", examples=[3])

    def make(self, setting: Setting) -> Running:
        return _Curve(db_to_gain(self.drive_db), db_to_gain(self.gain_db), setting.channels)


class _Curve(InRows):
    """y = tanh(drive x) / drive, between an interpolation and a decimation in overlap-save, run at eight times the
    rate so that its overtones do not fold back."""

    def __init__(self, drive: float, gain: float, channels: int) -> None:
        super().__init__(channels, _ROW, 2 * _HALF)
        self._drive, self._gain = drive, gain
        self._history = np.zeros((channels, _HISTORY))

    def work(self, row: FloatArray) -> FloatArray:
        both = np.concatenate([self._history, row], axis=1)
        self._history = both[:, _ROW:]
        low_pass, bins = _low_pass(), _FFT // 2 + 1
        # What the filter leaves of the images above Nyquist (-100 dB) is dropped with them.
        over = np.fft.irfft(np.fft.rfft(both) * low_pass[:bins] * _OVER, _FFT * _OVER)
        np.multiply(over, self._drive, out=over)
        np.tanh(over, out=over)
        spectrum = np.fft.rfft(over)[:, :bins] * low_pass[:bins]
        made: FloatArray = np.fft.irfft(spectrum, _FFT)[:, _HISTORY:]
        made *= self._gain / self._drive / _OVER
        return made


@cache
def _low_pass() -> ComplexArray:
    """Spectrum of the linear-phase filter at the high rate; it delays by _HALF samples of the low one."""
    count = 2 * _HALF * _OVER + 1
    n = np.arange(count) - _HALF * _OVER
    taps = np.sinc(n * _CORNER / _OVER) * np.kaiser(count, _KAISER_BETA) * (_CORNER / _OVER)
    spectrum: ComplexArray = np.fft.rfft(taps / taps.sum(), _FFT * _OVER)
    return spectrum
