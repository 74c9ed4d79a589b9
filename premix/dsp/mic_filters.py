"""Second-order sections of a mic's own filters: Butterworth high- and low-pass, and the rotating all-pass.

Bilinear transform with pre-warping (Oppenheim & Schafer, Discrete-Time Signal Processing, ch. 7; all-pass as in
Zolzer, DAFX, ch. 2). Sections are rows (b0, b1, b2, a0 = 1, a1, a2), the layout of scipy.signal.
"""

import math

import numpy as np
import numpy.typing as npt

from premix.dsp import butterworth
from premix.model.alignment import AllPass

Sections = npt.NDArray[np.float64]
NO_SECTIONS: Sections = np.zeros((0, 6))


def mic_sections(
    rate: float,
    high_pass_hz: float | None = None,
    low_pass_hz: float | None = None,
    rotation: AllPass | None = None,
) -> Sections:
    """All sections (n, 6) of one mic, in order; (0, 6) when it has no filter."""
    filters = []
    if high_pass_hz is not None:
        filters.append(butterworth.high_pass(high_pass_hz, 2, rate))
    if low_pass_hz is not None:
        filters.append(butterworth.low_pass(low_pass_hz, 2, rate))
    if rotation is not None:
        filters.append(np.array([_all_pass(rotation, rate)]))
    return np.concatenate(filters) if filters else NO_SECTIONS


def _all_pass(rotation: AllPass, rate: float) -> list[float]:
    """Phase 0 at DC falling to -180 degrees (order 1) or -360 degrees (order 2) at Nyquist; half way at the corner."""
    k = math.tan(math.pi * rotation.corner_hz / rate)
    if rotation.order == 1:
        c = (k - 1.0) / (k + 1.0)
        return [c, 1.0, 0.0, 1.0, c, 0.0]
    norm = 1.0 / (1.0 + k / rotation.q + k * k)
    a1, a2 = 2.0 * (k * k - 1.0) * norm, (1.0 - k / rotation.q + k * k) * norm
    return [a2, a1, 1.0, 1.0, a1, a2]


def sections_response(
    sections: Sections, freqs_hz: npt.NDArray[np.float64], rate: int
) -> npt.NDArray[np.complex128]:
    """Complex response (F) of the sections in series; ones for no sections."""
    z = np.exp(-2j * np.pi * freqs_hz / rate)
    response = np.ones(len(freqs_hz), np.complex128)
    for b0, b1, b2, _, a1, a2 in sections:
        response *= (b0 + b1 * z + b2 * z * z) / (1.0 + a1 * z + a2 * z * z)
    return response
