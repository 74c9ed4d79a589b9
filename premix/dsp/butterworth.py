"""Butterworth filters of any order as second-order sections, without the second that `import scipy.signal` takes.

Poles evenly on the unit circle, bilinear transform with pre-warping (Oppenheim & Schafer, Discrete-Time Signal
Processing, ch. 7); band-pass by s -> (s^2 + w^2) / (b s). Rows are (b0, b1, b2, a0 = 1, a1, a2), as in scipy.signal.
"""

import cmath
import math

import numpy as np

from premix.model.analysis import FloatArray


def high_pass(cutoff_hz: float, order: int, rate: float) -> FloatArray:
    """Sections (n, 6): -3.01 dB at the cutoff, 6.02 dB an octave for each order below it."""
    k = _warped(cutoff_hz, rate)
    rows = [_section((1.0, -2.0, 1.0), (1.0 + d * k + k * k, 2.0 * (k * k - 1.0), 1.0 - d * k + k * k))
            for d in _dampings(order)]  # fmt: skip
    if order % 2:
        rows.append(_section((1.0, -1.0, 0.0), (1.0 + k, k - 1.0, 0.0)))
    return np.array(rows)


def low_pass(cutoff_hz: float, order: int, rate: float) -> FloatArray:
    """Sections (n, 6): -3.01 dB at the cutoff, 6.02 dB an octave for each order above it."""
    k = _warped(cutoff_hz, rate)
    kk = k * k
    rows = [_section((kk, 2.0 * kk, kk), (1.0 + d * k + kk, 2.0 * (kk - 1.0), 1.0 - d * k + kk))
            for d in _dampings(order)]  # fmt: skip
    if order % 2:
        rows.append(_section((k, k, 0.0), (1.0 + k, k - 1.0, 0.0)))
    return np.array(rows)


def band_pass(low_hz: float, high_hz: float, order: int, rate: float) -> FloatArray:
    """Sections (order, 6): -3.01 dB at both edges, 6.02 dB an octave for each order far beyond them."""
    low, high = _warped(low_hz, rate), _warped(high_hz, rate)
    width, square = high - low, low * high
    pairs = []  # (-2 real part, squared size) of each pair of poles
    for d in _dampings(order):
        pole = width * complex(-d / 2.0, math.sqrt(1.0 - d * d / 4.0))
        root = cmath.sqrt(pole * pole - 4.0 * square)
        pairs += [(-2.0 * p.real, abs(p) ** 2) for p in ((pole + root) / 2.0, (pole - root) / 2.0)]
    if order % 2:
        pairs.append((width, square))
    return np.array([
        _section((width, 0.0, -width), (1.0 + turn + size, 2.0 * (size - 1.0), 1.0 - turn + size))
        for turn, size in pairs
    ])


def _warped(frequency_hz: float, rate: float) -> float:
    return math.tan(math.pi * frequency_hz / rate)


def _dampings(order: int) -> list[float]:
    """d of each s^2 + d s + 1, the dullest first; an odd order has s + 1 besides."""
    return [2.0 * math.cos(math.pi * (order - 1 - 2 * i) / (2 * order)) for i in reversed(range(order // 2))]


def _section(b: tuple[float, float, float], a: tuple[float, float, float]) -> list[float]:
    return [c / a[0] for c in (*b, *a)]
