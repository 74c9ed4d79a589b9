"""K-weighting (ITU-R BS.1770-5, annex 1): the shelf and the high-pass in front of every loudness measure."""

from functools import cache

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

STANDARD_RATE = 48_000
# The analogue prototypes behind the standard's 48 kHz table (De Man 2014): gain in dB, Q, frequency in Hz.
SHELF = (3.99984385397, 0.7071752369554193, 1681.9744509555319)
HIGH_PASS = (0.0, 0.5003270373253953, 38.13547087613982)


@cache
def _sections(rate: int) -> FloatArray:
    from pyloudnorm.iirfilter import IIRfilter

    shelf = IIRfilter(*SHELF, rate, "high_shelf_DeMan")
    high_pass = IIRfilter(*HIGH_PASS, rate, "high_pass_DeMan")
    sections: FloatArray = np.array([[*shelf.b, *shelf.a], [*high_pass.b, *high_pass.a]], np.float64)
    return sections


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
        self._sections = k_weighting_sections(rate)
        self._state = np.zeros((2, channels, 2))

    def filter(self, block: FloatArray) -> FloatArray:
        """The K-weighted block; the filter's state runs on from the block before."""
        if not block.size:
            return block
        from scipy.signal import sosfilt  # costs a second of start-up: only where loudness is measured

        weighted, self._state = sosfilt(self._sections, block, zi=self._state)
        return weighted
