"""Saturation, mid_side and the guitar bus's width: overtones that must not fold back, the mono sum to the last bit."""

import numpy as np
import pytest

from premix.audio.gains import apply_width
from tests.rigs.sessions import on_grid

from .driving import RATE, drive, impulse, noise, step, transform


def test_a_driven_tone_of_5_khz_does_not_fold_back() -> None:
    """Everything that is no overtone of a 5 kHz tone stays below -80 dB of it, at full drive and full scale.

    The same curve at the tracks' own rate folds 25 kHz back to 23 kHz, 15 dB under the tone.
    """
    count = 48_000
    tone = np.sin(2 * np.pi * 5000 * np.arange(2 * count) / RATE)
    made = drive(step("saturation", drive_db=20.0), tone)[count // 2 : count // 2 + count]
    spectrum = np.abs(np.fft.rfft(made))  # a second: whole periods, no window needed, bins of 1 Hz
    overtones = [5000, 15_000]  # odd ones alone: the curve is symmetrical; 25 kHz and up are out of the band
    assert spectrum[15_000] > 0.1 * spectrum[5000]  # it is driven hard
    spectrum_rest = spectrum.copy()
    spectrum_rest[overtones] = 0.0
    assert 20 * np.log10(spectrum_rest.max() / spectrum[5000]) < -80.0


def test_soft_passages_stay_at_their_level_and_loud_ones_are_rounded() -> None:
    """tanh(d x) / d: its slope is 1 at zero, and its ceiling 1/d."""
    t = np.arange(RATE) / RATE
    soft, loud = 1e-4 * np.sin(2 * np.pi * 440 * t), np.sin(2 * np.pi * 440 * t)
    one = step("saturation", drive_db=12.0, gain_db=0.0)
    inside = slice(2000, -2000)  # away from the tone's own sudden start and end
    assert np.abs(drive(one, soft) - soft)[inside].max() < 1e-4 * 1e-4
    assert np.abs(drive(one, loud))[inside].max() == pytest.approx(np.tanh(10 ** (12 / 20)) / 10 ** (12 / 20), rel=0.01)


def test_a_curve_without_overtones_is_transparent() -> None:
    """At a level where tanh is a line, what is left is the two filters: flat to 20 kHz within 0.01 dB, no delay."""
    freqs = np.geomspace(20.0, 20_000.0, 40)
    at = 20_000
    made = drive(step("saturation", drive_db=0.0), 1e-6 * impulse(40_000, at)) * 1e6
    heard = transform(made, freqs) * np.exp(2j * np.pi * freqs / RATE * at)
    assert np.abs(heard - 1.0).max() < 0.001


SETTINGS = [
    {},
    {"side_gain_db": 6.0},
    {"side_gain_db": -120.0},
    {"side_high_pass_hz": 120.0},
    {"side_gain_db": 3.0, "side_high_pass_hz": 300.0, "side_slope_db_oct": 24},
]


@pytest.mark.parametrize("params", SETTINGS)
def test_the_mono_sum_is_the_same_to_the_last_bit(params: dict[str, float]) -> None:
    """left + right before and after, as 64-bit floats; the input lies on the steps of 24 bits."""
    stereo = on_grid(noise(2, RATE, level=0.3))
    made = drive(step("mid_side", **params), stereo)
    assert np.array_equal(made[0] + made[1], stereo[0] + stereo[1])


def test_any_two_settings_have_the_same_mono_sum_of_any_signal() -> None:
    """Where the signal lies on no grid, it is put on one first (at -277 dB), the same for every setting."""
    stereo = noise(2, RATE, level=0.3)
    sums = [drive(step("mid_side", **params), stereo).sum(axis=0) for params in SETTINGS]
    assert all(np.array_equal(one, sums[0]) for one in sums[1:])
    assert np.abs(sums[0] - stereo.sum(axis=0)).max() <= 2.0**-46


@pytest.mark.parametrize("width", [0.0, 0.5, 1.7, 2.0])
def test_the_width_leaves_the_mono_sum_too(width: float) -> None:
    """The guitar bus's own width, to the last bit."""
    stereo = on_grid(noise(2, RATE, level=0.3))
    made = stereo.copy()
    apply_width(made, width)
    assert np.array_equal(made[0] + made[1], stereo[0] + stereo[1])
    assert made[0] - made[1] == pytest.approx(width * (stereo[0] - stereo[1]), abs=2.0**-44)


@pytest.mark.parametrize("gain_db", [-6.0, 3.0])
def test_the_side_signal_has_the_gain_that_is_asked_for(gain_db: float) -> None:
    """(left - right), against the input's."""
    stereo = noise(2, RATE)
    made = drive(step("mid_side", side_gain_db=gain_db), stereo)
    assert made[0] - made[1] == pytest.approx(10 ** (gain_db / 20) * (stereo[0] - stereo[1]), abs=1e-12)


def test_the_low_end_becomes_mono() -> None:
    """An octave below the corner the side is 12 dB down (Butterworth, 12.3 dB), two octaves above it is whole."""
    stereo = np.stack([impulse(RATE), np.zeros(RATE)])
    made = drive(step("mid_side", side_high_pass_hz=120.0), stereo)
    side = 20 * np.log10(np.abs(transform(made[0] - made[1], np.array([60.0, 480.0]))))
    assert side == pytest.approx([-10 * np.log10(1 + 2.0**4), 0.0], abs=0.02)
