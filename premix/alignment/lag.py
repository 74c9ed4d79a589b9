"""One delay between two mics, far below a sample, from their cross-spectrum.

`score(C, d) = Re sum over f of C(f) e^{+j 2 pi f d / rate}`: what a mic adds to the sum when advanced by d samples.
The maximum of a weighted cross-spectrum is the generalised cross-correlation of Knapp & Carter, IEEE Trans. ASSP
24(4), 1976; the refinement by Newton steps on the band-limited sum has no interpolation bias.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from premix.arrays import ComplexArray, FloatArray

_OVERSAMPLE = 2
_NEWTON_STEPS = 8
_CONVERGED_SAMPLES = 1e-7
_NEAR = 0.9
"""Grid maxima this near the highest one may pass it once refined: the grid misses 3 % at most."""


@dataclass(frozen=True, slots=True)
class Peak:
    """A local extreme of the score: delay in samples, polarity of the mic that makes it positive, height > 0."""

    delay_samples: float
    polarity: int
    height: float


def _score_curve(
    cross: ComplexArray, freqs_hz: FloatArray, rate: int, search_samples: float
) -> tuple[FloatArray, FloatArray]:
    """Score on a grid of half samples: delays (L) from -search to +search and a little beyond, scores (L)."""
    step_hz = freqs_hz[1] - freqs_hz[0]
    frame = round(rate / step_hz)
    size = frame * _OVERSAMPLE
    spectrum = np.zeros(size // 2 + 1, np.complex128)
    first = round(freqs_hz[0] / step_hz)
    spectrum[first : first + len(cross)] = cross
    curve = np.fft.irfft(spectrum, size) * (size / 2.0)
    reach = min(int(np.ceil((1.05 * search_samples + 8.0) * _OVERSAMPLE)), size // 2 - 1)
    lags = np.arange(-reach, reach + 1)
    return lags / _OVERSAMPLE, curve[lags]


def score(cross: ComplexArray, omega: FloatArray, delay_samples: float) -> float:
    """Score of one delay, exactly. omega: (F) radians a sample."""
    return float(np.real(np.dot(cross, np.exp(1j * omega * delay_samples))))


def find_peaks(
    cross: ComplexArray,
    freqs_hz: FloatArray,
    rate: int,
    search_samples: float,
    most: int = 6,
    polarity: int | None = None,
) -> list[Peak]:
    """The highest local extremes within +-search_samples, refined, best first; at most `most`, and with `most` 1
    those that come within a tenth of the best. polarity: of one sign only; None: of either.

    An extreme just outside the range, or the end itself where the score still rises, is reported too, so that the
    caller can see an answer at the edge.
    """
    delays, curve = _score_curve(cross, freqs_hz, rate, search_samples)
    if not np.any(curve):
        return []
    height = np.abs(curve) if polarity is None else np.maximum(polarity * curve, 0.0)
    inner = (height[1:-1] >= height[:-2]) & (height[1:-1] > height[2:])
    candidates = np.flatnonzero(inner) + 1
    candidates = candidates[np.argsort(-height[candidates], kind="stable")[: max(most, 4)]]
    if most == 1 and len(candidates):
        candidates = candidates[height[candidates] >= _NEAR * height[candidates[0]]]
    live = cross != 0
    cross, omega = cross[live], 2.0 * np.pi * freqs_hz[live] / rate
    peaks = [_refine(cross, omega, float(delays[c]), 1 if curve[c] > 0 else -1) for c in candidates]
    peaks += [Peak(float(delays[c]), 1 if curve[c] > 0 else -1, float(height[c])) for c in (0, -1) if height[c] > 0.0]
    return sorted(peaks, key=lambda p: -p.height)


def best_within(peaks: Iterable[Peak], search_samples: float) -> Peak | None:
    """The first of `peaks`, which stand best first, that does not lie outside the range."""
    return next((p for p in peaks if abs(p.delay_samples) <= search_samples), None)


def rival_height(cross: ComplexArray, freqs_hz: FloatArray, rate: int, search_samples: float, best: Peak) -> float:
    """Height of the best peak of the other polarity than the best one's; 0 where there is none."""
    rivals = find_peaks(cross, freqs_hz, rate, search_samples, 2, -best.polarity)
    rival = best_within(rivals, search_samples)
    return rival.height if rival else 0.0


def _refine(cross: ComplexArray, omega: FloatArray, delay: float, polarity: int) -> Peak:
    """Newton on the exact derivative, kept within half a grid step at a time."""
    square = omega * omega
    for _ in range(_NEWTON_STEPS):
        turned = cross * np.exp(1j * omega * delay)
        slope = -polarity * float(np.dot(omega, turned.imag))
        bend = -polarity * float(np.dot(square, turned.real))
        if bend >= 0.0:
            break
        step = min(0.25, max(-0.25, -slope / bend))
        delay += step
        if abs(step) < _CONVERGED_SAMPLES:
            break
    return Peak(delay, polarity, polarity * score(cross, omega, delay))


def curvature(cross: ComplexArray, omega: FloatArray, peak: Peak) -> float:
    """Minus the second derivative of the score at a peak, per sample^2 (> 0 at a true maximum)."""
    turned = cross * np.exp(1j * omega * peak.delay_samples)
    return peak.polarity * float(np.dot(omega**2, turned.real))
