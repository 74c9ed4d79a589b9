"""K-weighting (ITU-R BS.1770-5, annex 1): the shelf and the high-pass in front of every loudness measure."""

import math
from functools import cache

import numpy as np
import numpy.typing as npt

from premix.dsp.section_filter import SectionFilter

FloatArray = npt.NDArray[np.float64]

STANDARD_RATE = 48_000
# The analogue prototypes behind the standard's 48 kHz table (De Man 2014): frequency in Hz and Q of each, gain in dB
# of the shelf, and the power of that gain that the middle term has.
SHELF_HZ, SHELF_Q, SHELF_DB, SHELF_MIDDLE = 1681.9744509555319, 0.7071752369554193, 3.99984385397, 0.499666774155
HIGH_PASS_HZ, HIGH_PASS_Q = 38.13547087613982, 0.5003270373253953


@cache
def _sections(rate: int) -> FloatArray:
    k = math.tan(math.pi * SHELF_HZ / rate)
    top = 10.0 ** (SHELF_DB / 20.0)
    middle = top**SHELF_MIDDLE
    norm = 1.0 + k / SHELF_Q + k * k
    shelf = [(top + middle * k / SHELF_Q + k * k) / norm, 2.0 * (k * k - top) / norm,
             (top - middle * k / SHELF_Q + k * k) / norm, *_poles(k, SHELF_Q)]
    k = math.tan(math.pi * HIGH_PASS_HZ / rate)
    return np.array([shelf, [1.0, -2.0, 1.0, *_poles(k, HIGH_PASS_Q)]])


def _poles(k: float, q: float) -> list[float]:
    norm = 1.0 + k / q + k * k
    return [1.0, 2.0 * (k * k - 1.0) / norm, (1.0 - k / q + k * k) / norm]


def _gain_at_nyquist(section: FloatArray) -> float:
    alternating = np.array([1.0, -1.0, 1.0])
    return float((section[:3] @ alternating) / (section[3:] @ alternating))


def k_weighting_sections(rate: int) -> FloatArray:
    """The two second-order sections of the K-weighting at any rate (Hz), shape (2, 6), as scipy's `sos`.

    Pre-warped bilinear designs of one pair of prototypes. The standard's 48 kHz high-pass has the numerator
    (1, -2, 1), which leaves its pass band 0.04 dB above 0 dB; other rates are scaled to the same pass band,
    because the standard asks for the same response at every rate (plain (1, -2, 1) is up to 0.03 dB off).
    """
    sections = _sections(rate).copy()
    sections[1, :3] *= _gain_at_nyquist(_sections(STANDARD_RATE)[1]) / _gain_at_nyquist(sections[1])
    return sections


class KWeighting:
    """The K-weighting of a stream: `filter(block)` gives the weighted block, shape (channels, frames)."""

    def __init__(self, rate: int, channels: int) -> None:
        self._filter = SectionFilter(k_weighting_sections(rate), channels)
        self._weighted = np.empty((channels, 0))

    def filter(self, block: FloatArray) -> FloatArray:
        """The K-weighted block, valid until the next one; the filter's state runs on from the block before."""
        if self._weighted.shape != block.shape:
            self._weighted = np.empty(block.shape)
        self._weighted[:] = block
        self._filter.run(self._weighted)
        return self._weighted
