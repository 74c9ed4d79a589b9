"""saturation: a soft curve, run at eight times the rate so that its overtones do not fold back."""

from functools import cache
from typing import Annotated, ClassVar

import numpy as np
from pydantic import Field

from premix.chain.processor import Processor, Running, Setting
from premix.chain.rows import InRows
from premix.model.analysis import ComplexArray, FloatArray
from premix.model.recipe_values import GainDb
from premix.units import db_to_gain

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

    drive_db: Annotated[float, Field(ge=0.0, le=20.0, allow_inf_nan=False)] = Field(
        description="How far a full-scale peak is driven into the curve; the ceiling falls by as much.", examples=[6]
    )
    gain_db: GainDb = Field(0.0, description="Gain after the curve.", examples=[3])

    def make(self, setting: Setting) -> Running:
        work = _Curve(db_to_gain(self.drive_db), db_to_gain(self.gain_db), setting.channels).work
        return InRows(work, setting.channels, _ROW, 2 * _HALF)


class _Curve:
    """y = tanh(drive x) / drive, between an interpolation and a decimation in overlap-save."""

    def __init__(self, drive: float, gain: float, channels: int) -> None:
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
