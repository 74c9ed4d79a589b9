"""Correlation of left and right, mono fold and side/mid of a stream, whole and over time.

correlation: rho = sum l r / sqrt(sum l^2 sum r^2), at lag zero, as recorded (DC is part of it).
mono fold: energy of (L+R)/2 against the mean energy of the channels; 10 log10((1+rho)/2) at equal levels.
side/mid: energy of (L-R)/sqrt2 against (L+R)/sqrt2; 10 log10((1-rho)/(1+rho)) at equal levels.
"""

import math
from array import array
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from premix.measures.step_gram import StepGram
from premix.units import SILENCE_DB, db_to_power, power_to_db

FloatArray = npt.NDArray[np.float64]

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


class CorrelationMeter:
    """Correlation of a stream of stereo blocks, shape (2, frames). Keeps 7.5 numbers a second."""

    def __init__(self, rate: int) -> None:
        length = round(WINDOW_S * rate)
        self._window_s = length / rate
        self._gram = StepGram(length, 2)
        self._windows = array("d")

    def feed(self, block: FloatArray) -> None:
        """Measure the next block."""
        grams = self._gram.feed(block)
        self._windows.extend(np.stack((grams[:, 0, 0], grams[:, 1, 1], grams[:, 0, 1]), axis=1).ravel())

    def _sums(self) -> FloatArray:
        return np.array(self._windows).reshape(-1, 3)

    def whole(self) -> StereoSums:
        """The sums over everything so far."""
        left, right, cross = self._sums().sum(axis=0)
        rest = self._gram.unfinished
        return StereoSums(float(left + rest[0, 0]), float(right + rest[1, 1]), float(cross + rest[0, 1]))

    def minimum(self) -> float | None:
        """Lowest correlation of the 400 ms windows that hold sound, None where none does."""
        return min((rho for _, rho in _correlations(self._sums(), self._window_s)), default=None)

    def windows(self) -> tuple[tuple[float, float], ...]:
        """(start in s, correlation) of the windows that hold sound, at most `MOST_WINDOWS`."""
        sums = self._sums()
        merged = max(1, math.ceil(len(sums) / MOST_WINDOWS))
        sums = np.add.reduceat(sums, np.arange(0, len(sums), merged)) if len(sums) else sums
        return tuple(_correlations(sums, self._window_s * merged))


def _correlations(sums: FloatArray, window_s: float) -> Iterator[tuple[float, float]]:
    energy = sums[:, 0] + sums[:, 1]
    loud = np.flatnonzero(energy > energy.max(initial=0.0) * db_to_power(SOUND_DB))
    for i in loud.tolist():
        rho = StereoSums(*map(float, sums[i])).correlation()
        if rho is not None:
            yield i * window_s, rho
