"""Sections of bells, shelves and notches: R. Bristow-Johnson, Cookbook formulae for audio EQ biquad coefficients.

Published as W3C Note "Audio EQ Cookbook" (2021). Rows are (b0, b1, b2, a0 = 1, a1, a2), as in scipy.signal.
"""

import math
from typing import Annotated

import numpy as np
from pydantic import Field

from premix.model.analysis import FloatArray

EqHz = Annotated[float, Field(ge=10.0, le=86_400.0, allow_inf_nan=False)]
EqGainDb = Annotated[float, Field(ge=-36.0, le=36.0, allow_inf_nan=False)]
EqQ = Annotated[float, Field(ge=0.1, le=40.0, allow_inf_nan=False)]


def bell(frequency_hz: float, gain_db: float, q: float, rate: int) -> FloatArray:
    """peakingEQ: `gain_db` at the frequency, 0 dB far from it."""
    a, cos, alpha = _common(frequency_hz, gain_db, q, rate)
    return _section(
        (1.0 + alpha * a, -2.0 * cos, 1.0 - alpha * a), (1.0 + alpha / a, -2.0 * cos, 1.0 - alpha / a)
    )


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
