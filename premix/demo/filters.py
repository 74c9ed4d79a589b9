"""Colours of a cabinet and its mics: analogue filter sections, evaluated on a frequency grid.

The demo shapes every sound in the frequency domain, so the sections need no discretising and are the same at
every rate. All are minimum phase. Peak: Bristow-Johnson's analogue prototype; the rest are textbook sections.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from premix.units import db_to_gain

ComplexArray = npt.NDArray[np.complex128]
RealFrequencies = npt.NDArray[np.floating[Any]]
Kind = Literal["peak", "low_shelf", "high_shelf", "low_pass", "high_pass", "band_pass"]


@dataclass(frozen=True, slots=True)
class Section:
    """One filter section: kind, corner or centre, gain in dB (peak, shelves), q (all but shelves)."""

    kind: Kind
    hz: float
    gain_db: float = 0.0
    q: float = 0.7071


def response(sections: Sequence[Section], freqs_hz: RealFrequencies) -> ComplexArray:
    """Transfer function of sections in a row at freqs_hz, shape (F)."""
    total = np.ones(len(freqs_hz), np.complex128)
    for section in sections:
        s = np.asarray(1j * freqs_hz / section.hz, np.complex128)
        total *= _KINDS[section.kind](s, db_to_gain(section.gain_db), section.q)
    return total


def _peak(s: ComplexArray, gain: float, q: float) -> ComplexArray:
    root = gain**0.5
    return np.asarray((s * s + s * root / q + 1.0) / (s * s + s / (root * q) + 1.0), np.complex128)


def _low_shelf(s: ComplexArray, gain: float, _q: float) -> ComplexArray:
    return (s + gain) / (s + 1.0)


def _high_shelf(s: ComplexArray, gain: float, _q: float) -> ComplexArray:
    return (gain * s + 1.0) / (s + 1.0)


def _low_pass(s: ComplexArray, _gain: float, q: float) -> ComplexArray:
    return 1.0 / (s * s + s / q + 1.0)


def _high_pass(s: ComplexArray, _gain: float, q: float) -> ComplexArray:
    return s * s / (s * s + s / q + 1.0)


def _band_pass(s: ComplexArray, _gain: float, q: float) -> ComplexArray:
    return (s / q) / (s * s + s / q + 1.0)


_KINDS: dict[str, Callable[[ComplexArray, float, float], ComplexArray]] = {
    "peak": _peak,
    "low_shelf": _low_shelf,
    "high_shelf": _high_shelf,
    "low_pass": _low_pass,
    "high_pass": _high_pass,
    "band_pass": _band_pass,
}
