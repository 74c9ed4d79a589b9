"""Third-octave bands against the standard's table."""

from itertools import pairwise

import numpy as np
import pytest

from premix.audio.bands import band_limits, band_slices, third_octave_bands

NOMINAL = [
    25,
    31.5,
    40,
    50,
    63,
    80,
    100,
    125,
    160,
    200,
    250,
    315,
    400,
    500,
    630,
    800,
    1000,
    1250,
    1600,
    2000,
    2500,
    3150,
    4000,
    5000,
    6300,
    8000,
    10000,
    12500,
    16000,
]
"""Nominal mid-band frequencies of third-octave filters (IEC 61260-1:2014, its table of them; from memory)."""
EXACT = {
    25: 25.119,
    31.5: 31.623,
    40: 39.811,
    50: 50.119,
    63: 63.096,
    80: 79.433,
    100: 100.0,
    125: 125.893,
    160: 158.489,
    200: 199.526,
    250: 251.189,
    315: 316.228,
    400: 398.107,
    500: 501.187,
    630: 630.957,
    800: 794.328,
    1000: 1000.0,
    1250: 1258.925,
    1600: 1584.893,
    2000: 1995.262,
    2500: 2511.886,
    3150: 3162.278,
    4000: 3981.072,
    5000: 5011.872,
    6300: 6309.573,
    8000: 7943.282,
    10000: 10000.0,
    12500: 12589.254,
    16000: 15848.932,
}
"""Exact base-ten mid-band frequencies of the same table."""


def test_centres_are_the_standards() -> None:
    """IEC 61260-1:2014, base-ten system; the table is given to three decimals."""
    bands = third_octave_bands(25.0, 16000.0)
    assert [b.centre_hz for b in bands] == pytest.approx([EXACT[n] for n in NOMINAL], abs=6e-4)


def test_edges_of_the_1_khz_band() -> None:
    """891.25 Hz and 1122.02 Hz: 1000 x 10^(-+0.05) (IEC 61260-1:2014, 5.5)."""
    (band,) = third_octave_bands(1000.0, 1000.0)
    assert band.lower_hz == pytest.approx(891.251, abs=1e-3)
    assert band.upper_hz == pytest.approx(1122.018, abs=1e-3)


def test_bands_leave_no_gap_and_never_overlap() -> None:
    """Each band begins where the one below it ends, to the rounding of a double."""
    bands = third_octave_bands(25.0, 16000.0)
    for below, above in pairwise(bands):
        assert below.upper_hz == pytest.approx(above.lower_hz, rel=1e-12)


@pytest.mark.parametrize("low", NOMINAL)
def test_nominal_names_pick_the_band_that_is_meant(low: float) -> None:
    """Asking for the nominal frequency alone gives that one band, at both ends of the range."""
    (band,) = third_octave_bands(low, low)
    assert band.centre_hz == pytest.approx(EXACT[low], abs=6e-4)


def test_each_bin_belongs_to_one_band() -> None:
    """Slices of neighbouring bands meet, and hold just the bins between their edges."""
    freqs = np.fft.rfftfreq(16384, 1.0 / 48000).astype(np.float64)
    bands = third_octave_bands(40.0, 10000.0)
    slices = band_slices(freqs, bands)
    counted = np.concatenate([np.arange(s.start, s.stop) for s in slices])
    assert len(np.unique(counted)) == len(counted)
    for band, part in zip(bands, slices, strict=True):
        inside = (freqs >= band.lower_hz) & (freqs < band.upper_hz)
        np.testing.assert_array_equal(np.flatnonzero(inside), np.arange(part.start, part.stop))


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
def test_limits_hold_every_band_up_to_10_khz(rate: int) -> None:
    """The analysis keeps all bins of the 40 Hz to 10 kHz bands, and none near half the rate."""
    low, high = band_limits(rate)
    bands = third_octave_bands(40.0, 10000.0)
    assert low <= bands[0].lower_hz
    assert bands[-1].upper_hz <= high <= 0.46 * rate
