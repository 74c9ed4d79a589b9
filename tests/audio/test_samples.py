"""Dither, rounding, overs, and nothing that is not a number."""

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from premix.audio.samples import NotFiniteError, Quantiser


@settings(max_examples=100, deadline=None, derandomize=True)
@given(st.lists(st.integers(-(2**23), 2**23 - 1), min_size=1, max_size=50))
def test_24_bit_samples_come_back_bit_for_bit(steps: list[int]) -> None:
    """Every 24-bit value is exact in float64, so a unity path changes nothing."""
    block = np.array([steps]) / 2.0**23
    assert Quantiser(24).integers(block)[:, 0].tolist() == steps


@pytest.mark.parametrize("bits", [16, 24])
def test_rounding_is_to_the_nearest_step_half_to_even(bits: int) -> None:
    """Nearest, and no bias at the halves."""
    steps = np.array([[0.4, 0.5, 0.6, 1.5, 2.5, -0.4, -0.5, -0.6, -1.5]])
    assert Quantiser(bits).integers(steps / 2.0 ** (bits - 1))[:, 0].tolist() == [0, 0, 1, 2, 2, 0, 0, -1, -2]


def test_rounding_has_no_bias_where_soundfile_has_half_a_step(tmp_path) -> None:  # type: ignore[no-untyped-def]
    """The reason for an own quantiser: soundfile's float write floors."""
    x = np.random.default_rng(1).uniform(-0.5, 0.5, 200_000)
    steps = x * 2.0**23
    own = Quantiser(24).integers(x[np.newaxis])[:, 0]
    soundfile.write(tmp_path / "a.wav", x, 48000, "PCM_24")
    theirs = soundfile.read(tmp_path / "a.wav", dtype="int32")[0] >> 8
    # the standard error of the mean of 200 000 uniform errors is 0.29 / 447 = 0.0006 steps; 5 of them
    assert abs(np.mean(own - steps)) < 0.0033
    assert np.abs(own - steps).max() <= 0.5
    assert abs(np.mean(theirs - steps)) > 0.4


def test_error_power_without_dither_is_a_twelfth_of_a_step_squared() -> None:
    """Bennett 1948: LSB^2/12 for a busy signal."""
    x = np.random.default_rng(2).uniform(-0.5, 0.5, 1_000_000)
    error = Quantiser(16).integers(x[np.newaxis])[:, 0] - x * 2.0**15
    assert np.mean(error**2) == pytest.approx(1 / 12, rel=0.01)  # the estimate's own spread is 0.1 %


@pytest.mark.parametrize("level", [0.0, 0.25, 0.5, 123.4])
@pytest.mark.parametrize("bits", [16, 24])
def test_dithered_error_power_is_a_quarter_step_squared_at_any_level(bits: int, level: float) -> None:
    """Lipshitz, Wannamaker and Vanderkooy 1992: with TPDF dither the error has mean 0 and power LSB^2/4,
    whatever the signal, even a constant one between two steps."""
    quantiser = Quantiser(bits, dither=True, seed=3)
    error = quantiser.integers(np.full((1, 1_000_000), level / 2.0 ** (bits - 1)))[:, 0] - level
    assert abs(np.mean(error)) < 0.0025  # five standard errors of 0.5 / 1000
    assert np.mean(error**2) == pytest.approx(0.25, rel=0.01)  # spread of the estimate: 0.15 %


def test_dither_has_a_triangular_distribution() -> None:
    """Of width 2 steps: on a constant at a step, 3/4 of the samples stay and 1/8 go either way."""
    steps = Quantiser(16, dither=True, seed=4).integers(np.zeros((1, 1_000_000)))[:, 0]
    shares = [np.mean(steps == v) for v in (-1, 0, 1)]
    assert shares == pytest.approx([0.125, 0.75, 0.125], abs=0.0025)  # over five standard errors
    assert set(np.unique(steps)) == {-1, 0, 1}


@pytest.mark.parametrize("block", [1, 7, 1000])
def test_dither_does_not_depend_on_the_blocks(block: int) -> None:
    """The same seed gives the same samples, however they arrive; another seed others."""
    x = np.random.default_rng(5).uniform(-1, 1, (2, 3000))
    whole = Quantiser(16, dither=True, seed=6).integers(x)
    pieces = Quantiser(16, dither=True, seed=6)
    parts = [pieces.integers(x[:, s : s + block]) for s in range(0, 3000, block)]
    assert np.array_equal(np.concatenate(parts), whole)
    assert not np.array_equal(Quantiser(16, dither=True, seed=7).integers(x), whole)


@pytest.mark.parametrize("bits", [16, 24])
def test_overs_are_counted_and_held_at_full_scale(bits: int) -> None:
    """Never wrapped. +1.0 itself is half a step too high to exist, so it counts; -1.0 exists."""
    top = 2 ** (bits - 1)
    quantiser = Quantiser(bits)
    got = quantiser.integers(np.array([[1.0, -1.0, 1.5, -1.5, 0.5], [0.0, 2.0, -2.0, 0.0, 0.0]]))
    assert quantiser.overs == 5
    assert got[:, 0].tolist() == [top - 1, -top, top - 1, -top, top // 2]
    assert quantiser.peak == 1.0


def test_peak_is_of_the_quantised_samples() -> None:
    """What a reader of the file will find, not what was computed before rounding."""
    quantiser = Quantiser(16)
    quantiser.integers(np.array([[0.25 + 0.4 / 2**15, -0.1]]))
    quantiser.integers(np.array([[0.2, -0.1]]))
    assert quantiser.peak == 0.25


def test_float_samples_pass_beyond_full_scale_and_are_counted() -> None:
    """32-bit float has no ceiling; the count says so."""
    quantiser = Quantiser(32)
    got = quantiser.floats(np.array([[0.1, 1.5, -2.0, 1.0]]))
    assert got.dtype == np.float32
    assert got[:, 0].tolist() == [np.float32(0.1), 1.5, -2.0, 1.0]
    assert (quantiser.overs, quantiser.peak) == (2, 2.0)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("bits", [16, 24, 32])
def test_what_is_no_number_is_refused_with_its_place(bad: float, bits: int) -> None:
    """soundfile would write NaN as full scale."""
    quantiser = Quantiser(bits)
    write = quantiser.floats if bits == 32 else quantiser.integers
    write(np.zeros((2, 100)))
    block = np.zeros((2, 50))
    block[1, 30] = bad
    with pytest.raises(NotFiniteError) as caught:
        write(block)
    assert caught.value.frame == 130


def test_two_infinities_of_opposite_sign_are_refused() -> None:
    """Their sum would be NaN and their maximum infinite; neither may slip through."""
    with pytest.raises(NotFiniteError):
        Quantiser(24).integers(np.array([[np.inf, -np.inf]]))


def test_what_32_bits_cannot_hold_is_refused() -> None:
    """1e300 is finite in 64 bits and would become an infinity in the file."""
    with pytest.raises(NotFiniteError):
        Quantiser(32).floats(np.array([[0.0, 1e300]]))


def test_float_takes_no_dither() -> None:
    """There is no step to dither."""
    with pytest.raises(ValueError, match="no dither"):
        Quantiser(32, dither=True)
