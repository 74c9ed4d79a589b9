"""The gain of a curve sample by sample: linear in dB, and the same in every block."""

import numpy as np
import numpy.typing as npt
import pytest

from premix.audio.gains import curve_gain
from premix.model.gate import GateCurve

Gains = npt.NDArray[np.float64]


def curve(*points: tuple[int, float]) -> GateCurve:
    return GateCurve(np.array([p[0] for p in points], np.int64), np.array([p[1] for p in points]))


RAMPS = curve((100, -60.0), (196, 0.0), (3000, 0.0), (5880, -60.0), (6000, -60.0), (6001, 0.0), (9000, -33.3))


def gains(of: GateCurve, start: int, stop: int, size: int) -> Gains:
    """The gain of samples start to stop, asked for in blocks."""
    out = np.full(stop - start, np.nan)
    for at in range(start, stop, size):
        block = out[at - start : min(at + size, stop) - start]
        constant = curve_gain(of, at, block)
        if constant is not None:
            assert np.isnan(block).all(), "a flat block is left alone"
            block[:] = constant
    return out


def test_the_gain_is_linear_in_db_between_breakpoints() -> None:
    """Against numpy's own interpolation of the dB values: within 1e-12 dB."""
    at = np.arange(-50, 10_000)
    expected = np.interp(at, RAMPS.positions, RAMPS.gains_db)
    assert 20 * np.log10(gains(RAMPS, -50, 10_000, 10_050)) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("size", [1, 7, 64, 255, 256, 257, 1000, 4096])
def test_the_block_size_changes_nothing(size: int) -> None:
    """Bit for bit."""
    assert np.array_equal(gains(RAMPS, 0, 10_000, size), gains(RAMPS, 0, 10_000, 10_000))


def test_open_is_exactly_one() -> None:
    """0 dB is a gain of 1.0, not nearly."""
    assert (gains(RAMPS, 196, 3000, 500) == 1.0).all()


def test_a_release_longer_than_many_blocks() -> None:
    """10 s at 48 kHz in blocks of 57600: straight in dB from end to end."""
    long = curve((0, 0.0), (480_000, -140.0))
    got = 20 * np.log10(gains(long, 0, 480_001, 57_600))
    assert np.abs(got - np.linspace(0.0, -140.0, 480_001)).max() < 1e-9


@pytest.mark.parametrize(("start", "gain_db"), [(-10_000, -60.0), (300, 0.0), (20_000, -33.3)])
def test_a_flat_block_comes_back_as_one_number(start: int, gain_db: float) -> None:
    """Before the first breakpoint, between two equal ones, and after the last."""
    out = np.full(100, np.nan)
    constant = curve_gain(RAMPS, start, out)
    assert constant is not None
    assert 20 * np.log10(constant) == pytest.approx(gain_db, abs=1e-12)
    assert np.isnan(out).all()


def test_a_curve_of_one_breakpoint_is_constant() -> None:
    """Gate off, or a key that never plays."""
    assert curve_gain(curve((0, 0.0)), 12345, np.zeros(10)) == 1.0
    assert curve_gain(curve((0, -60.0)), 12345, np.zeros(10)) == pytest.approx(1e-3, rel=1e-12)
