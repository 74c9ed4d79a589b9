"""Butterworth sections against scipy's own design, and against the half power at their corners."""

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import butter, freqz_sos

from premix.audio import filters as butterworth

FloatArray = npt.NDArray[np.float64]
ORDERS = range(1, 9)
FREQS_HZ = np.geomspace(5.0, 20_000.0, 80)


def made(kind: str, low_hz: float, high_hz: float, order: int, rate: int) -> FloatArray:
    """Sections of ours."""
    if kind == "bandpass":
        return butterworth.band_pass(low_hz, high_hz, order, rate)
    return {"highpass": butterworth.high_pass, "lowpass": butterworth.low_pass}[kind](low_hz, order, rate)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("rate", [44_100, 192_000])
@pytest.mark.parametrize(
    ("kind", "low_hz", "high_hz"),
    [
        ("highpass", 80.0, 0.0), ("highpass", 9000.0, 0.0), ("lowpass", 20.0, 0.0), ("lowpass", 19_000.0, 0.0),
        ("bandpass", 80.0, 5000.0), ("bandpass", 900.0, 1100.0), ("bandpass", 10.0, 19_000.0),
    ],
)  # fmt: skip
def test_the_response_is_that_of_scipys_design(kind: str, low_hz: float, high_hz: float, order: int, rate: int) -> None:
    """Magnitude and phase; narrow and wide bands, corners near 0 Hz and near the top, odd and even orders."""
    sections = made(kind, low_hz, high_hz, order, rate)
    edges = [low_hz, high_hz] if kind == "bandpass" else low_hz
    theirs = butter(order, edges, kind, fs=rate, output="sos")
    heard, expected = (freqz_sos(s, FREQS_HZ, fs=rate)[1] for s in (sections, theirs))
    # A corner of 10 Hz at 192 kHz leaves 3e-9 of rounding; a wrong pole would be 1e-2.
    assert np.abs(heard - expected).max() < 1e-8
    assert sections.shape == (len(sections), 6)
    assert (sections[:, 3] == 1.0).all()


@pytest.mark.parametrize("order", ORDERS)
def test_every_section_is_stable_with_corners_at_the_ends_of_what_a_recipe_allows(order: int) -> None:
    """10 Hz at 192 kHz, and 0.45 of the rate: poles inside the unit circle."""
    for kind in ("highpass", "lowpass"):
        for corner in (10.0, 86_400.0):
            for section in made(kind, corner, 0.0, order, 192_000):
                assert np.abs(np.roots(section[3:])).max() < 1.0
    for section in made("bandpass", 10.0, 86_400.0, order, 192_000):
        assert np.abs(np.roots(section[3:])).max() < 1.0
