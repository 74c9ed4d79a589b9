"""Pan laws and width."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from premix.audio.gains import apply_width, pan_gains

LAWS = [0.0, -3.0, -4.5, -6.0]
PANS = st.floats(-1.0, 1.0)


@given(PANS)
def test_constant_power_law_keeps_the_power(pan: float) -> None:
    """gL^2 + gR^2 = 1 (sin/cos law; common practice, from memory), to a few roundings of a double."""
    left, right = pan_gains(pan, -3.0)
    assert left * left + right * right == pytest.approx(1.0, abs=1e-12)


@given(PANS)
def test_linear_law_keeps_the_sum(pan: float) -> None:
    """gL + gR = 1 at every place, to a few roundings of a double."""
    assert sum(pan_gains(pan, -6.0)) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(("law", "centre_db"), [(0.0, 0.0), (-3.0, -3.0103), (-4.5, -4.5155), (-6.0, -6.0206)])
def test_each_law_has_its_level_at_the_centre(law: float, centre_db: float) -> None:
    """A law is named after its loss at the centre; the exact values are 20 log10 of 1, 2^-1/2, 2^-3/4 and 1/2."""
    left, right = pan_gains(0.0, law)
    assert left == pytest.approx(right, rel=1e-15)
    assert 20.0 * math.log10(left) == pytest.approx(centre_db, abs=1e-4)


@pytest.mark.parametrize("law", LAWS)
def test_hard_sides_are_exact(law: float) -> None:
    """No trace of a hard-panned bus on the other side, not even a rounding of cos(pi/2)."""
    assert pan_gains(-1.0, law) == (1.0, 0.0)
    assert pan_gains(1.0, law) == (0.0, 1.0)


@pytest.mark.parametrize("law", LAWS)
@given(pan=PANS)
def test_left_mirrors_right(law: float, pan: float) -> None:
    """Panning the other way swaps the sides; no gain is above one or below zero."""
    left, right = pan_gains(pan, law)
    assert pan_gains(-pan, law) == pytest.approx((right, left), abs=1e-15)
    assert 0.0 <= min(left, right) <= max(left, right) <= 1.0


@pytest.mark.parametrize("law", LAWS)
def test_moving_right_never_raises_the_left(law: float) -> None:
    """The gains run one way from side to side."""
    gains = np.array([pan_gains(pan, law) for pan in np.linspace(-1.0, 1.0, 201)])
    assert np.all(np.diff(gains[:, 0]) <= 0.0)
    assert np.all(np.diff(gains[:, 1]) >= 0.0)


def test_unknown_law_is_refused() -> None:
    """A law nobody has named is an error, not a guess."""
    with pytest.raises(ValueError, match="-2"):
        pan_gains(0.3, -2.0)


@pytest.mark.parametrize("width", [0.0, 0.5, 1.0, 1.3, 2.0])
def test_width_scales_the_side_and_keeps_the_mono_sum(width: float) -> None:
    """L + R stays, L - R is multiplied; both are first rounded to steps of 2^-46 = 1.4e-14, so two steps of slack."""
    before = np.random.default_rng(1).standard_normal((2, 1000))
    after = before.copy()
    apply_width(after, width)
    np.testing.assert_allclose(after.sum(axis=0), before.sum(axis=0), rtol=0, atol=3e-14)
    np.testing.assert_allclose(after[0] - after[1], width * (before[0] - before[1]), rtol=0, atol=6e-14)


@pytest.mark.parametrize("width", [0.0, 0.7, 2.0])
def test_mono_sum_is_the_same_bit_for_bit_on_the_grid_of_24_bits(width: float) -> None:
    """What a 24-bit file holds loses nothing in the rounding: its mono sum is equal, not nearly equal."""
    before = np.round(np.random.default_rng(3).uniform(-1.0, 1.0, (2, 1000)) * 2.0**23) / 2.0**23
    after = before.copy()
    apply_width(after, width)
    np.testing.assert_array_equal(after[0] + after[1], before[0] + before[1])


def test_width_one_changes_no_bit() -> None:
    """The default leaves the samples alone."""
    before = np.random.default_rng(2).standard_normal((2, 1000))
    after = before.copy()
    apply_width(after, 1.0)
    np.testing.assert_array_equal(after, before)
