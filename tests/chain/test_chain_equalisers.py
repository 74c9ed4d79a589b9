"""Bells, shelves and tilt against the published analogue prototypes through the bilinear transform.

Prototypes: R. Bristow-Johnson, Cookbook formulae for audio EQ biquad coefficients (W3C Note "Audio EQ Cookbook").
"""

import numpy as np
import numpy.typing as npt
import pytest

from premix.processors.running import linear_response

from .driving import RATE, drive, impulse, magnitude_db, setting, step, transform

FREQS_HZ = np.geomspace(20.0, 20_000.0, 50)
GAINS_DB = (-12.0, -3.0, 2.5, 12.0)


def s_of(frequency_hz: float, rate: int = RATE) -> npt.NDArray[np.complex128]:
    """s at FREQS_HZ of a prototype whose corner is 1, the corner taken to `frequency_hz`."""
    return 1j * np.tan(np.pi * FREQS_HZ / rate) / np.tan(np.pi * frequency_hz / rate)


def bell(frequency_hz: float, gain_db: float, q: float) -> npt.NDArray[np.complex128]:
    """H(s) = (s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1), A = 10^(dB/40)."""
    s, a = s_of(frequency_hz), 10 ** (gain_db / 40)
    return (s * s + s * a / q + 1) / (s * s + s / (a * q) + 1)


def low_shelf(frequency_hz: float, gain_db: float, q: float) -> npt.NDArray[np.complex128]:
    """H(s) = A (s^2 + s sqrt(A)/Q + A) / (A s^2 + s sqrt(A)/Q + 1)."""
    s, a = s_of(frequency_hz), 10 ** (gain_db / 40)
    return a * (s * s + s * np.sqrt(a) / q + a) / (a * s * s + s * np.sqrt(a) / q + 1)


def high_shelf(frequency_hz: float, gain_db: float, q: float) -> npt.NDArray[np.complex128]:
    """H(s) = A (A s^2 + s sqrt(A)/Q + 1) / (s^2 + s sqrt(A)/Q + A)."""
    s, a = s_of(frequency_hz), 10 ** (gain_db / 40)
    return a * (a * s * s + s * np.sqrt(a) / q + 1) / (s * s + s * np.sqrt(a) / q + a)


@pytest.mark.parametrize("gain_db", GAINS_DB)
@pytest.mark.parametrize("q", [0.5, 0.7071, 4.0])
@pytest.mark.parametrize(
    ("kind", "theory", "frequency_hz"),
    [("bell", bell, 2500.0), ("low_shelf", low_shelf, 120.0), ("high_shelf", high_shelf, 6000.0)],
)
def test_equalisers_are_the_cookbooks(kind: str, theory, frequency_hz: float, q: float, gain_db: float) -> None:  # type: ignore[no-untyped-def]
    """Magnitude and phase of what is heard, and the response that the alignment sees."""
    one = step(kind, frequency_hz=frequency_hz, gain_db=gain_db, q=q)
    expected = theory(frequency_hz, gain_db, q)
    # 64-bit sections; the low shelf is the worst conditioned, at 1e-10
    assert np.abs(transform(drive(one, impulse(RATE)), FREQS_HZ) - expected).max() < 1e-8
    assert np.abs(linear_response((one,), FREQS_HZ, setting()) - expected).max() < 1e-8


@pytest.mark.parametrize("gain_db", GAINS_DB)
def test_gains_stand_where_they_are_named(gain_db: float) -> None:
    """A bell's gain at its frequency, a shelf's on the shelf and half of it at its frequency, in dB."""
    heard = magnitude_db(drive(step("bell", frequency_hz=1000.0, gain_db=gain_db), impulse(RATE)), np.array([1000.0]))
    assert heard[0] == pytest.approx(gain_db, abs=1e-6)
    low = drive(step("low_shelf", frequency_hz=500.0, gain_db=gain_db), impulse(RATE))
    assert magnitude_db(low, np.array([1.0, 500.0, 20_000.0])) == pytest.approx([gain_db, gain_db / 2, 0.0], abs=0.001)
    high = drive(step("high_shelf", frequency_hz=2000.0, gain_db=gain_db), impulse(RATE))
    assert magnitude_db(high, np.array([20.0, 2000.0, 23_900.0])) == pytest.approx(
        [0.0, gain_db / 2, gain_db], abs=0.001
    )


@pytest.mark.parametrize("pivot_hz", [300.0, 800.0])
@pytest.mark.parametrize("gain_db", GAINS_DB)
def test_tilt_leans_about_its_pivot(gain_db: float, pivot_hz: float) -> None:
    """Own definition: (g s + 1) / (s + g); as much down at one end as up at the other, nothing at the pivot."""
    made = drive(step("tilt", pivot_hz=pivot_hz, gain_db=gain_db), impulse(RATE))
    ends = magnitude_db(made, np.array([0.0, pivot_hz, 24_000.0]))
    assert ends == pytest.approx([-gain_db, 0.0, gain_db], abs=1e-6)
    s, g = s_of(pivot_hz), 10 ** (gain_db / 20)
    assert np.abs(transform(made, FREQS_HZ) - (g * s + 1) / (s + g)).max() < 1e-9
