"""Mains hum in a track's stops: how loud the lines at multiples of 50 or 60 Hz are while nobody plays."""

import numpy as np

from premix.model.analysis import ComplexArray, FloatArray, Hum, Spectra
from premix.units import power_to_db

HANN_POWER = 0.375
"""Mean square of a Hann window: what a windowed frame's power is divided by."""
HIGHEST_HZ = 400.0
_HARMONICS = 6
_LEAST_LINES = 3
"""Of the first six: a dying low note may sit on one or two of them, but its harmonics soon lie beside the others."""
_LOBE, _NEAR, _FAR = 2, 4, 8
"""Bins: half width of a line under a Hann window, and where its surroundings begin and end."""
_OFF = 0.75
"""Bins by which the highest bin may lie beside the line: half a bin for the grid, the rest for the mains' drift."""
_PILE_DB = 3.0
_STANDS_OUT = 10.0
"""Power of a line against its surroundings (10 dB): noise alone hardly ever reaches it."""


def find_hum(freqs_hz: FloatArray, powers: FloatArray) -> Hum | None:
    """The louder of the hums at 50 and 60 Hz; None where fewer than three of the first six lines stand out.

    freqs_hz: (F) evenly spaced bins of Hann-windowed frames. powers: (F) mean square in each bin.
    """
    found = [Hum(mains, float(np.sqrt(_lines(freqs_hz, powers, mains)))) for mains in (50.0, 60.0)]
    loudest = max(found, key=lambda hum: hum.rms)
    return loudest if loudest.rms > 0.0 else None


def hums_in_stops(spectra: Spectra) -> dict[str, Hum | None]:
    """Mic -> hum in the quiet frames of one performance; else, as hum may fill the stops, in its softest tenth."""
    found = {}
    for m, mic in enumerate(spectra.mics):
        piles = [(np.real(spectra.quiet[m, m]), spectra.n_quiet)]
        if spectra.softest is not None:
            piles.append((spectra.softest[m], spectra.n_softest))
        scales = [(powers, 2.0 / (count * spectra.frame**2 * HANN_POWER)) for powers, count in piles if count]
        hums = (find_hum(spectra.freqs_hz, scale * powers) for powers, scale in scales)
        found[mic] = next((hum for hum in hums if hum is not None), None)
    return found


class SoftestBlocks:
    """Hum in the softest blocks of one track that is read by itself; in piles of level, so that memory stays small."""

    def __init__(self, size: int, rate: int) -> None:
        self.freqs_hz: FloatArray = np.arange(1.0, HIGHEST_HZ * size / rate) * rate / size
        self._scale = 2.0 / (size**2 * HANN_POWER)
        self._piles: dict[int, tuple[FloatArray, int]] = {}

    def feed(self, spectrum: ComplexArray, power: float) -> None:
        """Take the spectrum (all bins, no window) and the mean square of the next block; silence is passed over."""
        if power <= 0.0:
            return
        near = spectrum[: len(self.freqs_hz) + 2]
        windowed = 0.5 * near[1:-1] - 0.25 * (near[:-2] + near[2:])  # a Hann window, in the frequency domain
        sums, count = self._piles.get(level := round(power_to_db(power) / _PILE_DB), (0.0, 0))
        self._piles[level] = sums + self._scale * np.abs(windowed) ** 2, count + 1

    def hum(self) -> Hum | None:
        """That of the softest tenth of all blocks, at least two."""
        wanted = max(2.0, 0.1 * sum(count for _, count in self._piles.values()))
        powers, taken = np.zeros(len(self.freqs_hz)), 0
        for level in sorted(self._piles):
            sums, count = self._piles[level]
            powers, taken = powers + sums, taken + count
            if taken >= wanted:
                return find_hum(self.freqs_hz, powers / taken)
        return None


def _lines(freqs_hz: FloatArray, powers: FloatArray, mains_hz: float) -> float:
    """Mean square of all lines that stand out at multiples of the mains; 0 for too few."""
    width, total, count = freqs_hz[1] - freqs_hz[0], 0.0, 0
    for line_hz in mains_hz * np.arange(1, _HARMONICS + 1):
        place = (freqs_hz - line_hz) / width
        line, around = powers[np.abs(place) <= _LOBE], (np.abs(place) >= _NEAR) & (np.abs(place) <= _FAR)
        near = np.abs(place) <= _NEAR
        if not around.any() or abs(place[near][np.argmax(powers[near])]) > _OFF:
            continue
        noise = float(np.median(powers[around]))
        if line.sum() > _STANDS_OUT * noise * len(line):
            total += float(line.sum()) - noise * len(line)
            count += 1
    return total if count >= _LEAST_LINES else 0.0
