"""Conversions: against published values, and there and back again."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from premix import units

RATES = st.sampled_from([44100, 48000, 88200, 96000, 192000])
CELSIUS = st.floats(-20.0, 50.0)


@pytest.mark.parametrize(("celsius", "metres_a_second"), [(10, 337.3), (20, 343.2), (30, 349.0)])
def test_speed_of_sound_is_that_of_iso_9613_1(celsius: float, metres_a_second: float) -> None:
    """ISO 9613-1:1993, 343.2 m/s at 293.15 K and growing with sqrt(T); 0.05: the values here are rounded to
    one decimal."""
    assert units.speed_of_sound_m_s(celsius) == pytest.approx(metres_a_second, abs=0.05)


def test_ten_centimetres_give_a_comb_whose_first_notch_is_at_1716_hz() -> None:
    """A path tau longer cancels first at 1/(2 tau): 343.2 / 0.2 Hz (textbook acoustics, from memory)."""
    tau_s = units.cm_to_samples(10.0, 48000) / 48000
    assert 1.0 / (2.0 * tau_s) == pytest.approx(1716.0, rel=1e-12)  # rounding of a double only


@pytest.mark.parametrize(("db", "gain"), [(0.0, 1.0), (20.0, 10.0), (-6.0205999, 0.5), (-60.0, 0.001)])
def test_gains_in_db_are_amplitude_gains(db: float, gain: float) -> None:
    """20 log10 of an amplitude; half is -6.0206 dB."""
    assert units.db_to_gain(db) == pytest.approx(gain, rel=1e-8)  # -6.0205999 is given to 8 digits
    assert units.gain_to_db(gain) == pytest.approx(db, abs=1e-6)


def test_powers_in_db_are_ten_log_ten() -> None:
    """Half the power is -3.0103 dB."""
    assert units.power_to_db(0.5) == pytest.approx(-3.0103, abs=1e-4)
    assert units.db_to_power(-3.0103) == pytest.approx(0.5, abs=1e-5)


def test_silence_is_a_finite_level_below_all_audio() -> None:
    """Zero gives a finite level, and the rounding of a full-scale double lies far above it."""
    assert units.gain_to_db(0.0) == units.power_to_db(0.0) == units.SILENCE_DB
    assert units.gain_to_db(2.0**-53) > units.SILENCE_DB + 80.0


@pytest.mark.parametrize(("rate", "ms", "samples"), [(48000, 1.0, 48.0), (44100, 10.0, 441.0), (96000, -0.5, -48.0)])
def test_milliseconds_and_samples(rate: int, ms: float, samples: float) -> None:
    """One millisecond at 48 kHz is 48 samples; signs stay."""
    assert units.ms_to_samples(ms, rate) == samples
    assert units.samples_to_ms(samples, rate) == ms


@given(st.floats(-1e5, 1e5), RATES)
def test_times_come_back(samples: float, rate: int) -> None:
    """To ms or s and back: two roundings of a double."""
    assert units.ms_to_samples(units.samples_to_ms(samples, rate), rate) == pytest.approx(samples, rel=1e-14)
    assert units.s_to_samples(units.samples_to_s(samples, rate), rate) == pytest.approx(samples, rel=1e-14)


@given(st.floats(-1e4, 1e4), RATES, CELSIUS)
def test_distances_come_back(cm: float, rate: int, celsius: float) -> None:
    """To samples and back, at any temperature: a few roundings of a double."""
    samples = units.cm_to_samples(cm, rate, celsius)
    assert units.samples_to_cm(samples, rate, celsius) == pytest.approx(cm, rel=1e-14)


@given(st.floats(-120.0, 120.0))
def test_gains_come_back(db: float) -> None:
    """A gain and its level say the same; a power is the square of its amplitude."""
    gain = units.db_to_gain(db)
    assert units.gain_to_db(gain) == pytest.approx(db, abs=1e-12)  # a few roundings at 120 dB
    assert math.isclose(units.db_to_power(db), gain * gain, rel_tol=1e-12)
