"""Null test: residual as it is, residual after the best gain, first difference, lengths, damage."""

import numpy as np
import pytest

from premix.measures.residual import NullMeter, NullResult, null_test
from tests.measures.signals import RATE, FloatArray, riff_noise, sine


def blocks(signal: FloatArray, size: int) -> list[FloatArray]:
    return [signal[:, k : k + size] for k in range(0, signal.shape[1], size)]


def compare(a: FloatArray, b: FloatArray, size_a: int = 4096, size_b: int = 1000) -> NullResult:
    return null_test(blocks(a, size_a), blocks(b, size_b), RATE, len(a))


def test_equal_streams_are_identical_whatever_their_blocks() -> None:
    """No residual, no first difference, gain 1; None stands for nothing, so any limit holds."""
    signal = riff_noise(1.0, seed=50)
    found = compare(signal, signal.copy())
    assert found == NullResult(RATE, RATE, None, None, 1.0, None, None)
    assert found.identical and found.holds(-300.0)


def test_a_single_wrong_sample_is_found_where_it_is() -> None:
    """One step of 24 bits at 0.5 s in the second channel: -138.5 dBFS peak, and its time."""
    a = riff_noise(1.0, seed=51)
    b = a.copy()
    b[1, RATE // 2] += 2.0**-23
    found = compare(a, b)
    assert found.first_difference_s == 0.5
    assert found.residual_peak_dbfs == pytest.approx(20.0 * np.log10(2.0**-23), abs=1e-6)
    assert not found.identical and found.holds(-120.0) and not found.holds(-140.0)


def test_a_gain_is_left_as_residual_and_is_reported() -> None:
    """b = a - 1 dB: the residual is (1 - g) a; after the best gain nothing is left (-150 dB under a)."""
    a = sine(1.0, -6.0)[None]
    gain = 10.0 ** (-1.0 / 20.0)
    found = compare(a, gain * a)
    assert found.residual_rms_dbfs == pytest.approx(-6.0 + 20.0 * np.log10(1.0 - gain), abs=1e-6)
    assert found.best_gain == pytest.approx(1.0 / gain, abs=1e-12)
    left_db = found.residual_best_gain_rms_dbfs
    assert left_db is None or left_db < -150.0


def test_the_best_gain_does_not_hide_other_sound() -> None:
    """b = g a + tone in quadrature: exactly the tone is left, at -80 dBFS rms / g."""
    a, other = sine(1.0, -6.0)[None], sine(1.0, -80.0, phase_deg=90.0)[None]
    found = compare(a, 0.5 * a + other)
    expected_db = -80.0 + 20.0 * np.log10(2.0)
    assert found.residual_best_gain_rms_dbfs == pytest.approx(expected_db, abs=1e-4)  # (tone/a)^2 of gain bias


def test_the_best_gain_is_exact_far_below_the_signal() -> None:
    """Rounding noise of 1e-14 (-280 dB) is still measured, to 1 %: no difference of large sums."""
    a = riff_noise(1.0, seed=52, channels=1)
    noise = 1e-14 * np.random.default_rng(53).standard_normal(a.shape)
    expected_db = 20.0 * np.log10(np.sqrt(2.0) * np.sqrt(np.mean((a - (a + noise)) ** 2)))
    assert compare(a, a + noise).residual_best_gain_rms_dbfs == pytest.approx(expected_db, abs=0.1)


def test_inverted_polarity_is_a_gain_of_minus_one() -> None:
    """b = -a: the residual is 6 dB above a, the best gain -1."""
    a = sine(1.0, -20.0)[None]
    found = compare(a, -a)
    assert found.residual_peak_dbfs == pytest.approx(-20.0 + 20.0 * np.log10(2.0), abs=1e-9)
    assert found.best_gain == pytest.approx(-1.0, abs=1e-12)


@pytest.mark.parametrize("longer", ["a", "b"])
def test_a_longer_stream_is_compared_with_silence(longer: str) -> None:
    """The tail counts, its first sounding sample is the first difference, and the lengths never hold."""
    short, long = np.zeros((1, 1000)), np.concatenate((np.zeros((1, 1500)), np.full((1, 10), 0.25)), axis=1)
    found = compare(long, short) if longer == "a" else compare(short, long)
    assert {found.frames_a, found.frames_b} == {1000, 1510}
    assert (found.frames_a == 1510) == (longer == "a")
    assert found.first_difference_s == pytest.approx(1500 / RATE)
    assert found.residual_peak_dbfs == pytest.approx(20.0 * np.log10(0.25), abs=1e-9)
    cut = compare(short, short[:, :999])  # every sample that both have is equal
    assert not found.holds(0.0) and not cut.holds(-10.0) and not cut.identical


def test_silence_against_silence_and_nothing_at_all() -> None:
    """No gain can be said of silence; two empty streams are identical."""
    assert compare(np.zeros((2, 100)), np.zeros((2, 100))).best_gain is None
    assert null_test([], [], RATE, 2) == NullResult(0, 0, None, None, None, None, None)


@pytest.mark.parametrize("damage", [np.nan, np.inf])
def test_nan_and_infinity_are_counted_and_never_hold(damage: float) -> None:
    """Even on both sides alike; the levels are those of the other samples."""
    a = riff_noise(0.1, seed=54)
    b = a.copy()
    a[0, 100] = b[0, 100] = damage
    found = compare(a, b)
    assert found.nonfinite == 1 and found.residual_peak_dbfs is None
    assert not found.holds(0.0)


def test_blocks_of_other_shapes_are_refused() -> None:
    """A bug of the caller, not of the user: ValueError."""
    with pytest.raises(ValueError, match=r"\(1, 5\) and \(2, 5\) are not both \(1, frames\)"):
        NullMeter(RATE, 1).feed(np.zeros((1, 5)), np.zeros((2, 5)))
