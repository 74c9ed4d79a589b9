"""Correlation of left and right, mono fold and side/mid of a stream: whole, over time, and the fold by band.

correlation: rho = sum l r / sqrt(sum l^2 sum r^2), at lag zero, as recorded (DC is part of it).
mono fold: energy of (L+R)/2 against the mean energy of the channels; 10 log10((1+rho)/2) at equal levels. In
third-octave bands it shows what the spectrum loses when the sides are summed.
side/mid: energy of (L-R)/sqrt2 against (L+R)/sqrt2; 10 log10((1-rho)/(1+rho)) at equal levels.
"""

import math
from array import array
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from premix.arrays import FloatArray
from premix.audio.bands import band_slices, third_octave_bands
from premix.measures.frames import SparseSpectra, StepGram
from premix.model.mix import BandFold, StereoMeasures
from premix.units import SILENCE_DB, db_to_power, power_to_db

WINDOW_S = 0.4
SOUND_DB = -30.0
"""A window holds sound when its energy is within this of the loudest window's."""
MOST_WINDOWS = 1500
"""Windows that are reported: ten minutes at 400 ms; of longer songs, neighbours are merged."""


@dataclass(frozen=True, slots=True)
class StereoSums:
    """Energies of left and right and their product, over any stretch of a stream."""

    left: float
    right: float
    cross: float

    def correlation(self) -> float | None:
        """Correlation, -1 to 1; None where a channel is silent."""
        scale = math.sqrt(self.left) * math.sqrt(self.right)
        return min(1.0, max(-1.0, self.cross / scale)) if scale > 0.0 else None

    def fold_db(self) -> float | None:
        """Mono fold in dB, 0 at most; None in silence."""
        energy = self.left + self.right
        if energy <= 0.0:
            return None
        return power_to_db(min(1.0, max(0.0, 0.5 + self.cross / energy)))

    def side_mid_db(self) -> float | None:
        """Side against mid in dB; without any mid it reads +400 dB. None in silence."""
        energy, cross = self.left + self.right, 2.0 * self.cross
        if energy <= 0.0:
            return None
        side, mid = max(0.0, energy - cross), max(0.0, energy + cross)
        return power_to_db(side / mid) if mid > 0.0 else -SILENCE_DB


LOWEST_HZ, HIGHEST_HZ = 40.0, 16_000.0
BIN_HZ = 3.5
"""Bins are at most this wide: the 40 Hz band, 9.2 Hz wide, holds three of them at 48 kHz."""
EMPTY_DB = -80.0
"""A band this far under the whole is left out: it would show the window's leakage, not the music."""


class StereoMeter:
    """The stereo picture of a stream of stereo blocks, shape (2, frames). No gain changes it.

    Of the correlation it keeps 7.5 numbers a second. The fold by band is from energies of L, R and their product in
    averaged Hann-windowed spectra, so a band's figure is 10 log10((1 + rho_band) / 2) at equal levels, with rho_band
    the band's correlation at lag zero.
    """

    def __init__(self, rate: int) -> None:
        length = round(WINDOW_S * rate)
        self._window_s = length / rate
        self._gram = StepGram(length, 2)
        self._windows = array("d")
        self._spectra = SparseSpectra(2, rate / BIN_HZ)
        self._freqs: FloatArray = np.fft.rfftfreq(self._spectra.size, 1.0 / rate).astype(np.float64)
        self._sums = np.zeros((3, len(self._freqs)))
        bands = third_octave_bands(LOWEST_HZ, HIGHEST_HZ)
        self._bands = tuple(band for band in bands if band.upper_hz < rate / 2)

    def feed(self, block: FloatArray) -> None:
        grams = self._gram.feed(block)
        self._windows.extend(np.stack((grams[:, 0, 0], grams[:, 1, 1], grams[:, 0, 1]), axis=1).ravel())
        for weight, (left, right) in self._spectra.feed(block):
            self._sums[0] += weight * (left.real**2 + left.imag**2)
            self._sums[1] += weight * (right.real**2 + right.imag**2)
            self._sums[2] += weight * (left.real * right.real + left.imag * right.imag)

    def result(self) -> StereoMeasures:
        """The figures so far; the lowest correlation is that of any window of 400 ms that holds sound."""
        windows = np.array(self._windows).reshape(-1, 3)
        left, right, cross = windows.sum(axis=0)
        rest = self._gram.unfinished
        whole = StereoSums(float(left + rest[0, 0]), float(right + rest[1, 1]), float(cross + rest[0, 1]))
        merged = max(1, math.ceil(len(windows) / MOST_WINDOWS))
        fewer = np.add.reduceat(windows, np.arange(0, len(windows), merged)) if len(windows) else windows
        return StereoMeasures(
            correlation=whole.correlation(),
            correlation_min=min((rho for _, rho in _correlations(windows, self._window_s)), default=None),
            fold_db=whole.fold_db(),
            side_mid_db=whole.side_mid_db(),
            bands=tuple(self._folds()),
            windows=tuple(_correlations(fewer, self._window_s * merged)),
        )

    def _folds(self) -> Iterator[BandFold]:
        """Mono fold of the bands that hold sound, lowest first."""
        empty = self._sums[:2].sum() * db_to_power(EMPTY_DB)
        for band, bins in zip(self._bands, band_slices(self._freqs, self._bands), strict=True):
            sums = StereoSums(*map(float, self._sums[:, bins].sum(axis=1)))
            fold_db = sums.fold_db()
            if fold_db is not None and sums.left + sums.right > empty:
                yield BandFold(band.centre_hz, fold_db)


def _correlations(sums: FloatArray, window_s: float) -> Iterator[tuple[float, float]]:
    """(start in s, correlation) of the windows that hold sound; sums: (windows, 3), left, right and cross."""
    energy = sums[:, 0] + sums[:, 1]
    loud = np.flatnonzero(energy > energy.max(initial=0.0) * db_to_power(SOUND_DB))
    for i in loud.tolist():
        rho = StereoSums(*map(float, sums[i])).correlation()
        if rho is not None:
            yield i * window_s, rho
