"""One delay from one cross-spectrum: every local maximum in the search range, refined far below a sample.

`score(C, d) = Re sum over f of C(f) e^{+j 2 pi f d / rate}`: what a mic adds to the sum when advanced by d samples.
The maximum of a weighted cross-spectrum is the generalised cross-correlation of Knapp & Carter, IEEE Trans. ASSP
24(4), 1976; the refinement by Newton steps on the band-limited sum has no interpolation bias.
"""

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


def score_curve(
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


def score(cross: ComplexArray, freqs_hz: FloatArray, rate: int, delay_samples: float) -> float:
    """Score of one delay, exactly."""
    return float(np.real(np.dot(cross, np.exp(2j * np.pi * freqs_hz * (delay_samples / rate)))))


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
    delays, curve = score_curve(cross, freqs_hz, rate, search_samples)
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
    for end in (0, -1):
        if height[end] <= 0.0:
            continue
        peaks.append(Peak(float(delays[end]), 1 if curve[end] > 0 else -1, float(height[end])))
    return sorted(peaks, key=lambda p: -p.height)


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
    height = polarity * float(np.real(np.dot(cross, np.exp(1j * omega * delay))))
    return Peak(delay, polarity, height)


def curvature(cross: ComplexArray, freqs_hz: FloatArray, rate: int, peak: Peak) -> float:
    """Minus the second derivative of the score at a peak, per sample^2 (> 0 at a true maximum)."""
    omega = 2.0 * np.pi * freqs_hz / rate
    turned = cross * np.exp(1j * omega * peak.delay_samples)
    return peak.polarity * float(np.dot(omega**2, turned.real))
