"""Butterworth filters, bells, shelves, tilt and notches against analogue prototypes and handbook values.

Prototypes of bells and shelves: R. Bristow-Johnson, Cookbook formulae for audio EQ biquad coefficients (W3C Note "Audio
EQ Cookbook").
"""

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from premix.model.settings import ChainStep
from premix.processors.chains import linear_response, processor_of

from .driving import RATE, drive, impulse, magnitude_db, setting, step, transform

ComplexArray = npt.NDArray[np.complex128]

FREQS_HZ = np.geomspace(20.0, 21_000.0, 60)

SLOPES = (6, 12, 18, 24, 30, 36, 42, 48)

ROUNDING_DB = 1e-6

"""64-bit sections at 80 Hz are good to about 1e-9; this is far below anything that is heard or stated."""


def prototype(s: npt.NDArray[Any], order: int) -> ComplexArray:
    """Butterworth low-pass with its corner at 1: poles evenly on the left half of the unit circle."""
    poles = [np.exp(1j * np.pi * (2 * k + order + 1) / (2 * order)) for k in range(order)]
    return np.asarray(np.prod([-pole / (s - pole) for pole in poles], axis=0), np.complex128)


def warped(freqs_hz: npt.NDArray[np.float64] | float, rate: int = RATE) -> npt.NDArray[np.float64]:
    """Where the bilinear transform takes a frequency from."""
    return np.tan(np.pi * np.asarray(freqs_hz) / rate)


def designed(kind: str, slope: int, low_hz: float, high_hz: float = 0.0) -> ComplexArray:
    """The response at FREQS_HZ that theory gives."""
    s, order = 1j * warped(FREQS_HZ), slope // 6
    low, high = float(warped(low_hz)), float(warped(high_hz))
    if kind == "low_pass":
        return prototype(s / low, order)
    if kind == "high_pass":
        return prototype(low / s, order)
    return prototype((s * s + low * high) / (s * (high - low)), order)


def made_step(kind: str, slope: int, phase: str = "minimum") -> tuple[ChainStep, ComplexArray]:
    """A filter and its theory."""
    if kind == "band_pass":
        params = {"low_hz": 200.0, "high_hz": 3000.0}
        return step(kind, slope_db_oct=slope, phase=phase, **params), designed(kind, slope, 200.0, 3000.0)
    corner = 80.0 if kind == "high_pass" else 5000.0
    return step(kind, cutoff_hz=corner, slope_db_oct=slope, phase=phase), designed(kind, slope, corner)


@pytest.mark.parametrize("slope", SLOPES)
@pytest.mark.parametrize("kind", ["high_pass", "low_pass", "band_pass"])
def test_magnitude_and_phase_are_those_of_the_prototype(kind: str, slope: int) -> None:
    """The impulse response, transformed, against the analogue poles through the bilinear transform."""
    one, theory = made_step(kind, slope)
    heard = transform(drive(one, impulse(RATE)), FREQS_HZ)
    # the response is cut after a second, when even 48 dB/oct at 80 Hz has died to 1e-12
    assert np.abs(heard - theory).max() < 1e-8


@pytest.mark.parametrize("slope", SLOPES[1::2])
@pytest.mark.parametrize("kind", ["high_pass", "low_pass", "band_pass"])
def test_linear_phase_has_the_same_magnitude_and_no_phase(kind: str, slope: int) -> None:
    """Centred on the impulse, the response is real and as large as the prototype's."""
    one, theory = made_step(kind, slope, "linear")
    at = 24_000
    heard = transform(drive(one, impulse(48_000, at)), FREQS_HZ) * np.exp(2j * np.pi * FREQS_HZ / RATE * at)
    # the kernel ends where it has fallen by 120 dB; what is cut off adds up to a few times that
    assert np.abs(heard - np.abs(theory)).max() < 1e-5


@pytest.mark.parametrize("slope", SLOPES[::2])
def test_odd_orders_have_no_linear_phase(slope: int) -> None:
    """They are refused in words: their kernel would have no end."""
    one, _ = made_step("high_pass", slope, "linear")
    assert [(u.key, u.allowed) for u in processor_of(one).problems(setting())] == [("slope_db_oct", "12, 24, 36 or 48")]


@pytest.mark.parametrize("phase", ["minimum", "linear"])
@pytest.mark.parametrize("kind", ["high_pass", "low_pass", "band_pass"])
def test_the_response_that_the_alignment_sees_is_the_one_that_is_heard(kind: str, phase: str) -> None:
    """`response` against the transformed impulse response, latency taken out of both."""
    one, _ = made_step(kind, 24, phase)
    at = 24_000
    heard = transform(drive(one, impulse(72_000, at)), FREQS_HZ) * np.exp(2j * np.pi * FREQS_HZ / RATE * at)
    assert np.abs(linear_response((one,), FREQS_HZ, setting()) - heard).max() < 1e-5


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("slope", SLOPES)
def test_the_corner_is_three_decibels_down_at_every_rate(rate: int, slope: int) -> None:
    """-3.01 dB at the corner (handbook: half the power), high-pass and low-pass."""
    for kind, corner in (("high_pass", 80.0), ("low_pass", 12_000.0)):
        one = step(kind, cutoff_hz=corner, slope_db_oct=slope)
        at_corner = magnitude_db(drive(one, impulse(rate), rate=rate), np.array([corner]), rate)
        assert at_corner == pytest.approx(-10 * np.log10(2), abs=1e-5)


@pytest.mark.parametrize("slope", SLOPES[1:])
def test_the_slope_is_reached_two_octaves_beyond(slope: int) -> None:
    """Within 0.1 dB of two octaves times the slope, 6.02 dB an octave for each order (the curve is 0.02 dB from it).

    At 6 dB per octave a Butterworth is still 0.26 dB from it (10 log10(1 + 1/16)); that slope has its theory above.
    """
    corner = 100.0
    low = drive(step("low_pass", cutoff_hz=corner, slope_db_oct=slope), impulse(RATE))
    high = drive(step("high_pass", cutoff_hz=corner, slope_db_oct=slope), impulse(RATE))
    fall = slope / 6 * 20 * np.log10(4.0)
    assert magnitude_db(low, np.array([4 * corner]))[0] == pytest.approx(-fall, abs=0.1)
    assert magnitude_db(high, np.array([corner / 4]))[0] == pytest.approx(-fall, abs=0.1)


@pytest.mark.parametrize("index", range(-13, 11, 3))
def test_third_octaves_of_iec_61260_pass_their_centre_and_fall_to_half_power_at_their_edges(index: int) -> None:
    """IEC 61260-1, 5.2 to 5.5: centres 1000 G^(x/3), G = 10^0.3, edges a sixth of an octave around them."""
    ratio = 10.0**0.3
    centre = 1000.0 * ratio ** (index / 3)
    low, high = centre * ratio ** (-1 / 6), centre * ratio ** (1 / 6)
    heard = drive(step("band_pass", low_hz=low, high_hz=high, slope_db_oct=18), impulse(2 * RATE))
    levels = magnitude_db(heard, np.array([low, centre, high]))
    assert levels[0] == pytest.approx(-10 * np.log10(2), abs=1e-4)
    assert levels[2] == pytest.approx(-10 * np.log10(2), abs=1e-4)
    assert levels[1] == pytest.approx(0.0, abs=0.01)  # the warped middle lies a hair off the geometric one


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_the_notch_takes_out_hum_and_its_harmonics_alone(mains_hz: float) -> None:
    """Nothing left of five harmonics; -3 dB at the edges of 2 Hz; 0.1 dB a few hertz away."""
    one = step("notch", frequency_hz=mains_hz, harmonics=5, width_hz=2.0)
    heard = linear_response((one,), np.arange(1.0, 6.0) * mains_hz, setting())
    assert 20 * np.log10(np.abs(heard).max()) < -120.0
    single = linear_response((step("notch", frequency_hz=mains_hz, width_hz=2.0),), edges(mains_hz, 2.0), setting())
    assert 20 * np.log10(np.abs(single)) == pytest.approx(-10 * np.log10(2), abs=0.01)
    between = linear_response((one,), np.array([2.5, 3.5]) * mains_hz, setting())
    assert 20 * np.log10(np.abs(between)) == pytest.approx(0.0, abs=0.1)


def edges(centre_hz: float, width_hz: float) -> npt.NDArray[np.float64]:
    """Half-power points of a second-order notch: their product is the centre squared."""
    half = width_hz / 2
    middle = np.hypot(centre_hz, half)
    return np.array([middle - half, middle + half])


def test_hum_is_gone_from_a_recording_with_hum() -> None:
    """After its ringing in, a 50 Hz hum with harmonics is 80 dB lower, and a 440 Hz tone beside it is not touched."""
    t = np.arange(4 * RATE) / RATE
    hum = np.sum([0.1 / k * np.sin(2 * np.pi * 50 * k * t + k) for k in range(1, 6)], axis=0)
    tone = 0.2 * np.sin(2 * np.pi * 440 * t)
    made = drive(step("notch", frequency_hz=50.0, harmonics=5), hum)[3 * RATE :]
    assert 20 * np.log10(np.abs(made).max() / 0.1) < -80.0
    kept = drive(step("notch", frequency_hz=50.0, harmonics=5), tone)[3 * RATE :]
    assert np.abs(kept).max() == pytest.approx(0.2, rel=0.001)


def test_digital_silence_after_sound_costs_no_more_than_sound() -> None:
    """The states of a filter come to exact rest, instead of sinking into numbers that are slow to compute with."""
    signal = np.zeros(12 * RATE)
    signal[:100] = 1.0
    made = drive(step("high_pass", cutoff_hz=80.0), signal)
    assert not made[-RATE:].any()
    assert np.array_equal(drive(step("high_pass", cutoff_hz=80.0), signal, [7777, 1000]), made)
    assert np.abs(made[made != 0.0]).min() > np.finfo(np.float64).tiny


GAINS_DB = (-12.0, -3.0, 2.5, 12.0)


def s_of(frequency_hz: float, rate: int = RATE) -> ComplexArray:
    """s at FREQS_HZ of a prototype whose corner is 1, the corner taken to `frequency_hz`."""
    return np.asarray(1j * np.tan(np.pi * FREQS_HZ / rate) / np.tan(np.pi * frequency_hz / rate), np.complex128)


def bell(frequency_hz: float, gain_db: float, q: float) -> ComplexArray:
    """H(s) = (s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1), A = 10^(dB/40)."""
    s, a = s_of(frequency_hz), 10 ** (gain_db / 40)
    return np.asarray((s * s + s * a / q + 1) / (s * s + s / (a * q) + 1))


def low_shelf(frequency_hz: float, gain_db: float, q: float) -> ComplexArray:
    """H(s) = A (s^2 + s sqrt(A)/Q + A) / (A s^2 + s sqrt(A)/Q + 1)."""
    s, a = s_of(frequency_hz), 10 ** (gain_db / 40)
    return np.asarray(a * (s * s + s * np.sqrt(a) / q + a) / (a * s * s + s * np.sqrt(a) / q + 1))


def high_shelf(frequency_hz: float, gain_db: float, q: float) -> ComplexArray:
    """H(s) = A (A s^2 + s sqrt(A)/Q + 1) / (s^2 + s sqrt(A)/Q + A)."""
    s, a = s_of(frequency_hz), 10 ** (gain_db / 40)
    return np.asarray(a * (a * s * s + s * np.sqrt(a) / q + 1) / (s * s + s * np.sqrt(a) / q + a))


@pytest.mark.parametrize("gain_db", GAINS_DB)
@pytest.mark.parametrize("q", [0.5, 0.7071, 4.0])
@pytest.mark.parametrize(
    ("kind", "theory", "frequency_hz"),
    [("bell", bell, 2500.0), ("low_shelf", low_shelf, 120.0), ("high_shelf", high_shelf, 6000.0)],
)
def test_equalisers_are_the_cookbooks(
    kind: str, theory: Callable[[float, float, float], ComplexArray], frequency_hz: float, q: float, gain_db: float
) -> None:
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
