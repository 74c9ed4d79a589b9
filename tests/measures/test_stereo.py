"""Correlation, mono fold, side/mid, whole, windowed and by band, against their closed formulas."""

import pickle

import numpy as np
import pytest

from premix.measures.stereo import StereoMeter
from premix.model.mix import StereoMeasures
from tests.measures.signals import RATE, FloatArray, feed_in_pieces, riff_noise, sine

EXACT_DB = 1e-9  # rounding of float64 sums


def measure(signal: FloatArray) -> StereoMeasures:
    meter = StereoMeter(RATE)
    feed_in_pieces(meter, signal, (57_600, 1_001))
    return meter.result()


def correlated(rho: float, seconds: float = 4.0, frequency_hz: float = 500.0) -> FloatArray:
    """Two tones of equal level with correlation rho exactly (whole periods in any 2 ms)."""
    a, b = sine(seconds, -6.0, frequency_hz), sine(seconds, -6.0, frequency_hz, phase_deg=90.0)
    return np.stack((a, rho * a + np.sqrt(1.0 - rho**2) * b))


@pytest.mark.parametrize("rho", [0.9, 0.5, 0.0, -0.5, -0.9])
def test_figures_follow_the_closed_formulas(rho: float) -> None:
    """fold 10 log10((1+rho)/2), side/mid 10 log10((1-rho)/(1+rho)) at equal levels; the tone's band too."""
    found = measure(correlated(rho))
    assert found.correlation == pytest.approx(rho, abs=1e-12)
    assert found.fold_db == pytest.approx(10.0 * np.log10((1.0 + rho) / 2.0), abs=EXACT_DB)
    assert found.side_mid_db == pytest.approx(10.0 * np.log10((1.0 - rho) / (1.0 + rho)), abs=EXACT_DB)
    band = next(band for band in found.bands if abs(band.centre_hz - 501.2) < 1.0)
    assert band.fold_db == pytest.approx(found.fold_db, abs=1e-4)  # a Hann-windowed tone leaks a little


def test_equal_sides_and_opposite_sides_reach_the_ends() -> None:
    """rho 1: no loss and no side; rho -1: nothing is left of the mono sum (-400 dB stands for zero)."""
    mono = riff_noise(2.0, seed=30, channels=1)[0]
    same, opposite = measure(np.stack((mono, mono))), measure(np.stack((mono, -mono)))
    assert (same.correlation, same.fold_db, same.side_mid_db) == (1.0, 0.0, -400.0)
    assert (opposite.correlation, opposite.fold_db, opposite.side_mid_db) == (-1.0, -400.0, 400.0)


def test_levels_that_differ_keep_the_correlation_but_not_the_fold() -> None:
    """r = g l: rho 1, fold ((1+g)/2)^2 / ((1+g^2)/2)."""
    mono, gain = sine(1.0, -6.0), 0.25
    found = measure(np.stack((mono, gain * mono)))
    expected_db = 10.0 * np.log10(((1.0 + gain) / 2.0) ** 2 / ((1.0 + gain**2) / 2.0))
    assert found.correlation == pytest.approx(1.0, abs=1e-12)
    assert found.fold_db == pytest.approx(expected_db, abs=EXACT_DB)


def test_independent_takes_fold_by_3_db() -> None:
    """rho of independent noise is near 0 (0.05 is five standard deviations), fold -3.0 +- 0.25 dB."""
    found = measure(riff_noise(10.0, seed=31))
    assert found.correlation == pytest.approx(0.0, abs=0.05)
    assert found.fold_db == pytest.approx(-3.01, abs=0.25)


def test_the_minimum_is_that_of_the_worst_window_that_holds_sound() -> None:
    """0.8 s at rho -0.4 in a song at 0.6; soft noise of opposite sign in the stops does not count."""
    rest = 1e-3 * np.stack((np.ones(2 * RATE), -np.ones(2 * RATE)))
    song = (correlated(0.6), rest, correlated(-0.4, seconds=0.8), correlated(0.6, seconds=2.0))
    found = measure(np.concatenate(song, axis=1))
    assert found.correlation_min == pytest.approx(-0.4, abs=1e-9)
    starts = [start for start, _ in found.windows]
    assert not any(4.0 <= start < 6.0 for start in starts)
    low = [start for start, rho in found.windows if rho < 0.0]
    assert low == pytest.approx([6.0, 6.4], abs=1e-9)


def test_the_windows_of_a_long_song_are_merged_and_the_minimum_is_not() -> None:
    """20 min make 3000 windows of 400 ms: 1500 of 800 ms are reported, and the 400 ms minimum is kept."""
    meter = StereoMeter(1000)  # a low rate: only the number of windows matters here
    rng = np.random.default_rng(32)
    for minute in range(20):
        a, b = rng.standard_normal((2, 60_000))
        right = 0.5 * a + np.sqrt(0.75) * b
        if minute == 7:
            right[400:800] = -a[400:800]
        meter.feed(np.stack((a, right)))
    found = meter.result()
    windows = found.windows
    assert len(windows) == 1500
    assert windows[1][0] == pytest.approx(0.8)
    assert found.correlation_min == pytest.approx(-1.0, abs=1e-12)
    assert min(rho for _, rho in windows) > -0.9


def test_each_band_shows_its_own_fold() -> None:
    """125 Hz in quadrature (-3.01 dB), 1 kHz in phase (0 dB), 4 kHz opposed (below -60 dB)."""
    left = sine(6.0, -20.0, 125.0) + sine(6.0, -20.0, 1000.0) + sine(6.0, -20.0, 4000.0)
    right = sine(6.0, -20.0, 125.0, phase_deg=90.0) + sine(6.0, -20.0, 1000.0) - sine(6.0, -20.0, 4000.0)
    bands = {round(band.centre_hz): band.fold_db for band in measure(np.stack((left, right))).bands}
    assert bands[126] == pytest.approx(-3.01, abs=0.05)  # leakage and frames that cut the period
    assert bands[1000] == pytest.approx(0.0, abs=1e-3)
    assert bands[3981] < -60.0
    assert 40 not in bands and 15849 not in bands  # nothing plays there


def test_silence_has_no_picture_and_one_silent_side_no_correlation() -> None:
    """None where a ratio has no meaning; a lone left side folds by 3.01 dB."""
    assert measure(np.zeros((2, RATE))) == StereoMeasures(None, None, None, None)
    found = measure(np.stack((sine(1.0, -6.0), np.zeros(RATE))))
    assert found.correlation is None and found.correlation_min is None
    assert found.fold_db == pytest.approx(-10.0 * np.log10(2.0), abs=EXACT_DB)
    assert found.side_mid_db == pytest.approx(0.0, abs=EXACT_DB)


@pytest.mark.parametrize("sizes", [(57_600,), (19_199, 1, 3), (500,)])
def test_the_blocking_does_not_matter(sizes: tuple[int, ...]) -> None:
    """Any block sizes give the same picture to 1e-12."""
    signal = riff_noise(3.0, seed=33) + 0.2 * riff_noise(3.0, seed=34, channels=1)
    whole, pieces = StereoMeter(RATE), StereoMeter(RATE)
    whole.feed(signal)
    feed_in_pieces(pieces, signal, sizes)
    expected, found = whole.result(), pieces.result()
    assert found.correlation == pytest.approx(expected.correlation, rel=1e-12)
    assert found.correlation_min == pytest.approx(expected.correlation_min, rel=1e-12)
    assert found.fold_db == pytest.approx(expected.fold_db, rel=1e-12)
    assert found.bands == expected.bands  # the frames are the same samples
    np.testing.assert_allclose(found.windows, expected.windows, rtol=1e-12)


def test_memory_grows_by_seven_and_a_half_numbers_a_second() -> None:
    """60 bytes a second of song, whatever the bands keep is fixed."""
    meter = StereoMeter(RATE)
    block = riff_noise(10.0, seed=35)
    meter.feed(block)
    before = len(pickle.dumps(meter))
    for _ in range(3):
        meter.feed(block)
    assert len(pickle.dumps(meter)) - before <= 30 * 60 + 128
