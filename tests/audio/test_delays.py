"""The fractional delay: how near it is to an exact shift, and what it leaves alone."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from premix.audio.filters import TAPS, advance_fir, split_delay
from premix.units import cm_to_samples

LATENCY = TAPS // 2 - 1
RESTS = [*np.linspace(-0.5, 0.5, 41), 1e-8, 1e-3, 0.4999]


def deviation_db(rest: float, rate: int, top_hz: float) -> float:
    """Largest distance in dB between the FIR and an exact advance by `rest` samples, from 0 to top_hz."""
    freqs = np.linspace(0.0, top_hz, 500) / rate
    taps = advance_fir(rest)
    actual = np.exp(-2j * np.pi * np.outer(freqs, np.arange(len(taps)))) @ taps
    exact = np.exp(2j * np.pi * freqs * (rest - LATENCY))
    return 20.0 * float(np.log10(np.max(np.abs(actual - exact))))


@pytest.mark.parametrize(("rate", "top_hz"), [(48000, 20000.0), (44100, 18000.0), (96000, 40000.0)])
def test_shift_is_exact_to_minus_120_db(rate: int, top_hz: float) -> None:
    """An exact shift is e^{j 2 pi f d} (shift theorem); the figure to reach is -120 dB to 20 kHz at 48 kHz."""
    assert max(deviation_db(float(rest), rate, top_hz) for rest in RESTS) < -120.0


def test_shift_is_exact_to_minus_134_db_up_to_nine_tenths_of_nyquist() -> None:
    """What the module states: 96 taps, a Kaiser window with beta 15. Half a beta more or less costs 5 to 18 dB."""
    worst_db = max(deviation_db(float(rest), 2, 0.9) for rest in RESTS)
    assert -136.0 < worst_db <= -134.0


def test_advance_means_earlier() -> None:
    """A signal advanced by half a sample is what it will be half a sample later: sign, not only size."""
    n = np.arange(400)
    tone = 0.07
    advanced = np.convolve(np.sin(2 * np.pi * tone * n), advance_fir(0.5))[LATENCY:]
    wanted = np.sin(2 * np.pi * tone * (n + 0.5))
    assert np.max(np.abs(advanced[100:300] - wanted[100:300])) < 1e-6  # -120 dB


@pytest.mark.parametrize("rest", [0.5, 0.31, -0.127, 1e-3])
def test_there_and_back_is_the_signal(rest: float) -> None:
    """+D after -D nulls: two deviations of at most -120 dB each, on noise below 20 kHz at 48 kHz."""
    rng = np.random.default_rng(3)
    spectrum = np.fft.rfft(rng.standard_normal(8192))
    spectrum[round(8192 * 20000 / 48000) :] = 0.0
    noise = np.fft.irfft(spectrum)
    noise /= np.max(np.abs(noise))
    back = np.convolve(np.convolve(noise, advance_fir(rest)), advance_fir(-rest))[2 * LATENCY :][: len(noise)]
    inner = slice(TAPS, -TAPS)
    assert np.max(np.abs(back[inner] - noise[inner])) < 2e-6


def test_unit_gain_at_dc() -> None:
    """A constant stays what it is: the taps add up to one within a few roundings."""
    assert all(abs(np.sum(advance_fir(float(rest))) - 1.0) < 1e-15 * TAPS for rest in RESTS)


@pytest.mark.parametrize("delay", [0.0, 1.0, -7.0, 4800.0, 3.0 + 5e-10, 12.0 - 9e-10])
def test_whole_delays_have_no_rest(delay: float) -> None:
    """Whole samples are read offsets alone, so they are exact bit for bit; so is anything within 1e-9."""
    assert split_delay(delay) == (round(delay), 0.0)


@given(st.floats(-4e5, 4e5))
def test_whole_and_rest_make_the_delay(delay: float) -> None:
    """The parts add up again, and the rest is at most half a sample either way."""
    whole, rest = split_delay(delay)
    assert abs(rest) <= 0.5
    assert abs(whole + rest - delay) <= 1e-9  # the tolerance of a whole delay


def test_two_paths_ten_centimetres_apart_cancel_first_at_1716_hz() -> None:
    """The first comb notch lies at 1/(2 tau) = c / (2 x 0.1 m) (textbook acoustics, from memory).

    A grid of 1 Hz: the notch is found to half of that.
    """
    whole, rest = split_delay(-cm_to_samples(10.0, 48000))
    late = np.concatenate([np.zeros(-whole), advance_fir(rest)])
    both = late.copy()
    both[LATENCY] += 1.0
    hz = np.arange(100.0, 3000.0)
    level = np.abs(np.exp(-2j * np.pi * np.outer(hz / 48000, np.arange(len(both)))) @ both)
    assert abs(hz[np.argmin(level)] - 1716.0) <= 0.5
    assert level.min() < 1e-3  # at the whole Hz of the notch next to nothing is left
