"""Doubled performances: how far apart the same onsets were played, and pairs of stems that are one take, twice.

Measured, never moved.
"""

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from premix.arrays import FloatArray, IndexArray
from premix.errors import Finding
from premix.measures.frames import SparseSpectra
from premix.model.mix import OnsetSpread, TakePair
from premix.units import ms_to_samples, samples_to_ms

WINDOW_MS = 50.0
"""Onsets closer than this may be the same one: the window of the common onset evaluations."""


def match_onsets(onsets_a_s: Sequence[float], onsets_b_s: Sequence[float]) -> list[tuple[float, float]]:
    """Pairs (a, b) of onsets in seconds within 50 ms, each used once, the closest first; in time order."""
    b = np.sort(np.asarray(onsets_b_s, np.float64))
    window_s = WINDOW_MS / 1000.0
    candidates = []
    for i, onset in enumerate(sorted(onsets_a_s)):
        first, last = np.searchsorted(b, onset - window_s), np.searchsorted(b, onset + window_s, side="right")
        candidates += [(abs(b[j] - onset), i, j, onset) for j in range(first, last)]
    used_a: set[int] = set()
    used_b: set[int] = set()
    pairs = []
    for _, i, j, onset in sorted(candidates):
        if i not in used_a and j not in used_b:
            used_a.add(i)
            used_b.add(j)
            pairs.append((float(onset), float(b[j])))
    return sorted(pairs)


def onset_spread(
    onsets_a_s: Sequence[float], onsets_b_s: Sequence[float], performance_a: str = "a", performance_b: str = "b"
) -> OnsetSpread:
    """Spread of the matched onsets (start times of the riff's passages, in seconds) of two performances."""
    pairs = np.array(match_onsets(onsets_a_s, onsets_b_s)).reshape(-1, 2)
    late_ms = (pairs[:, 1] - pairs[:, 0]) * 1000.0
    found = len(late_ms) > 0
    return OnsetSpread(
        performance_a=performance_a,
        performance_b=performance_b,
        onsets_a=len(onsets_a_s),
        onsets_b=len(onsets_b_s),
        matched=len(late_ms),
        median_ms=float(np.median(np.abs(late_ms))) if found else None,
        p90_ms=float(np.percentile(np.abs(late_ms), 90)) if found else None,
        offset_ms=float(np.median(late_ms)) if found else None,
    )


SEARCH_MS = 30.0
SAME_TAKE = 0.9
"""A copy is near 1, two performances of a part far below (experience, no source)."""
SAME_GUITAR = 0.4
"""Coherence from which two stems are one guitar through two amps: simulated ones reach 0.8, two performances of a part
0.1. Amps and cabinets turn the phase, so that their correlation may be anywhere."""
LEAST_FRAMES = 8
LOWEST_HZ, HIGHEST_HZ = 80.0, 5000.0


class TakeCorrelation:
    """Cross-correlation of every pair of stems, searched over +-30 ms, up to 5 kHz.

    Cross-spectra are averaged over few frames (`SparseSpectra`), so it costs little and its memory is fixed.
    """

    def __init__(self, performances: Sequence[str], rate: int) -> None:
        self._performances = tuple(performances)
        self._rate = rate
        self._spectra = SparseSpectra(len(performances), 8.0 * ms_to_samples(SEARCH_MS, rate))
        bins = np.count_nonzero(np.fft.rfftfreq(self._spectra.size, 1.0 / rate) <= HIGHEST_HZ)
        self._first = round(LOWEST_HZ * self._spectra.size / rate)
        self._cross = np.zeros((bins, len(performances), len(performances)), np.complex128)
        self._frames = 0

    def feed(self, block: FloatArray) -> None:
        """Take the next block of all stems, shape (performances, frames)."""
        for weight, whole in self._spectra.feed(block):
            self._frames += 1
            spectra = whole[:, : len(self._cross)].T
            self._cross += weight * spectra[:, :, None] * spectra[:, None, :].conj()

    def powers(self) -> tuple[FloatArray, FloatArray]:
        """(F) frequencies in Hz and (S, F) powers of the stems, up to 5 kHz."""
        freqs_hz = np.arange(len(self._cross), dtype=np.float64) * (self._rate / self._spectra.size)
        return freqs_hz, np.asarray(np.einsum("fss->sf", self._cross).real, np.float64)

    def pairs(self) -> tuple[TakePair, ...]:
        """Every pair of performances that both hold sound."""
        found = (self._pair(a, b) for a, b in combinations(range(len(self._performances)), 2))
        return tuple(pair for pair in found if pair is not None)

    def _pair(self, a: int, b: int) -> TakePair | None:
        energy_a, energy_b = (self._correlate(m, m, np.zeros(1, np.int64))[0] for m in (a, b))
        if energy_a <= 0.0 or energy_b <= 0.0:
            return None
        reach = int(ms_to_samples(SEARCH_MS, self._rate))
        lags = np.arange(-reach, reach + 1)
        correlation = self._correlate(a, b, lags) / np.sqrt(energy_a * energy_b)
        best = int(np.argmax(np.abs(correlation)))
        rho = min(1.0, max(-1.0, float(correlation[best])))
        lag_ms = samples_to_ms(float(lags[best]), self._rate)
        names = self._performances
        coherence = self._coherence(a, b)
        same = abs(rho) > SAME_TAKE or (coherence is not None and coherence > SAME_GUITAR)
        return TakePair(names[a], names[b], rho, lag_ms, same, coherence)

    def _coherence(self, a: int, b: int) -> float | None:
        """Mean magnitude-squared coherence of two stems from 80 Hz up, chance taken out; None for too few frames."""
        if self._frames < LEAST_FRAMES:
            return None
        cross, own_a, own_b = (self._cross[self._first :, m, n] for m, n in ((a, b), (a, a), (b, b)))
        raw = np.abs(cross) ** 2 / np.maximum(own_a.real * own_b.real, 1e-300)
        chance = 1.0 / self._frames
        return max(0.0, (float(raw.mean()) - chance) / (1.0 - chance))

    def _correlate(self, a: int, b: int, lags: IndexArray) -> FloatArray:
        """Cross-correlation at lags in samples (positive: b late), the window's overlap divided out."""
        size = self._spectra.size
        values = np.fft.irfft(self._cross[:, a, b].conj(), size)
        fading = np.fft.irfft(np.abs(np.fft.rfft(self._spectra.window, 2 * size)) ** 2)
        correlation: FloatArray = values[lags] * (fading[0] / fading[lags])
        return correlation


def same_take_findings(pairs: Sequence[TakePair]) -> tuple[Finding, ...]:
    """A warning for each pair that is one take."""
    return tuple(_same_take(pair) for pair in pairs if pair.same_take)


def _same_take(pair: TakePair) -> Finding:
    figures = f"correlate by {pair.correlation:.2f} (at {pair.lag_ms:+.1f} ms)"
    what = "one take, twice"
    if abs(pair.correlation) <= SAME_TAKE:
        figures += f", coherence {pair.coherence or 0.0:.2f}"
        turned = "turned over and " if pair.correlation < 0.0 else ""
        late = f"{abs(pair.lag_ms):.2f} ms {'late' if pair.lag_ms >= 0.0 else 'early'}"
        what = f"one take through two amps, {pair.performance_b} {turned}{late}; they comb in mono"
    return Finding("same-take", "warning", f"{pair.performance_a}, {pair.performance_b}", f"the two {figures}: {what}")
