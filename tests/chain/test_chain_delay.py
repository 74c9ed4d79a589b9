"""delay: heard later by what is written, to a fraction of a sample, with nothing else changed."""

import numpy as np
import pytest

from premix.processors.running import linear_response

from .driving import RATE, drive, impulse, noise, setting, step, transform


@pytest.mark.parametrize("delay_ms", [0.0, 0.0052, 0.5, 1.2345, 33.3])
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_a_delay_is_heard_at_its_time(delay_ms: float, rate: int) -> None:
    """The spectrum of a delayed impulse turns by 2 pi f t, and its level stays, and so the alignment sees it."""
    at, freqs_hz = 4000, np.geomspace(20.0, rate / 2.4, 40)
    one = step("delay", delay_ms=delay_ms)
    heard = transform(drive(one, impulse(12_000, at), rate=rate), freqs_hz, rate)
    expected = np.exp(-2j * np.pi * freqs_hz * (at / rate + delay_ms / 1000))
    assert np.abs(heard - expected).max() < 1e-6  # -120 dB, which fractional delays hold to 20 kHz at 48 kHz
    seen = linear_response((one,), freqs_hz, setting(rate=rate))
    assert np.abs(seen - np.exp(-2j * np.pi * freqs_hz * delay_ms / 1000)).max() < 1e-12


def test_a_whole_sample_delay_moves_the_samples_as_they_are() -> None:
    """Bit for bit."""
    signal = noise(2, RATE)
    made = drive(step("delay", delay_ms=10.0), signal)
    assert np.array_equal(made[:, 480:], signal[:, :-480])
    assert not made[:, :480].any()
