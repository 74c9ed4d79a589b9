"""The response of long impulse responses against scipy's."""

import numpy as np
import pytest
from scipy.signal import freqz

from premix.audio.filters import fir_response


@pytest.mark.parametrize("length", [1, 255, 256, 257, 16_384, 16_385, 50_000])
def test_the_response_is_scipys(length: int) -> None:
    """Magnitude and phase, whatever the length is to the pieces it is cut into."""
    taps = np.random.default_rng(length).standard_normal(length)
    freqs = np.geomspace(1.0, 23_999.0, 50)
    expected = freqz(taps, worN=freqs, fs=48_000)[1]
    # rounding of the phases of the last taps: 1e-16 of 2 pi f n / rate, 5e4 pi at most
    assert np.abs(fir_response(taps, freqs, 48_000) - expected).max() < 1e-10 * np.abs(taps).sum()
