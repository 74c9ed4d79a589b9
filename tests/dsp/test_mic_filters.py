"""A mic's own filters against scipy's."""

import numpy as np
import pytest
from scipy.signal import butter, freqz_sos, sosfilt

from premix.audio.filters import mic_sections, sections_response
from premix.model.alignment import AllPass

RATES = [44100, 48000, 96000]
ALL_PASSES = [
    AllPass(order=1, corner_hz=90.0),
    AllPass(1, 2500.0),
    AllPass(2, 120.0, 0.5),
    AllPass(2, 800.0, 2.0),
    AllPass(2, 4000.0),
]


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("corner_hz", [20.0, 80.0, 180.0, 1000.0, 12000.0])
def test_high_and_low_pass_are_scipys_butterworth(rate: int, corner_hz: float) -> None:
    """Same coefficients as scipy.signal.butter(2), independent code.

    scipy goes by poles and zeros: at 20 Hz its coefficients carry some 1e-13 of rounding.
    """
    high = mic_sections(rate, high_pass_hz=corner_hz)
    low = mic_sections(rate, low_pass_hz=corner_hz)
    np.testing.assert_allclose(high, butter(2, corner_hz, "high", fs=rate, output="sos"), rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(low, butter(2, corner_hz, "low", fs=rate, output="sos"), rtol=1e-9, atol=1e-12)


def test_corner_is_3_db_down() -> None:
    """|H|^2 = 1/2 at the corner of any Butterworth filter (textbook)."""
    for sections in (mic_sections(48000, high_pass_hz=180.0), mic_sections(48000, low_pass_hz=180.0)):
        gain = abs(sections_response(sections, np.array([180.0]), 48000)[0])
        assert 20.0 * np.log10(gain) == pytest.approx(-3.0103, abs=1e-4)


@pytest.mark.parametrize("rotation", ALL_PASSES)
@pytest.mark.parametrize("rate", RATES)
def test_all_pass_leaves_every_level_alone(rotation: AllPass, rate: int) -> None:
    """Magnitude flat to 0.001 dB; measured on the response that scipy computes from the sections."""
    freqs = np.geomspace(5.0, 0.499 * rate, 2000)
    _, response = freqz_sos(mic_sections(rate, rotation=rotation), worN=freqs, fs=rate)
    assert np.max(np.abs(20.0 * np.log10(np.abs(response)))) < 0.001


@pytest.mark.parametrize("rotation", ALL_PASSES)
def test_all_pass_turns_half_way_at_its_corner(rotation: AllPass) -> None:
    """-90 degrees for order 1, -180 for order 2 (Zolzer, DAFX, chapter 2); it falls all the way, from 0."""
    sections = mic_sections(48000, rotation=rotation)
    corner = sections_response(sections, np.array([rotation.corner_hz]), 48000)[0]
    assert np.degrees(np.angle(corner * np.exp(0.5j * np.pi * rotation.order))) == pytest.approx(0.0, abs=1e-6)
    freqs = np.geomspace(1.0, 23999.0, 4000)
    phase = np.unwrap(np.angle(sections_response(sections, freqs, 48000)))
    assert np.all(np.diff(phase) < 0.0)
    assert abs(phase[0]) < 0.1
    assert phase[-1] == pytest.approx(-np.pi * rotation.order, abs=0.1)


def test_all_sections_of_a_mic_come_in_one_table() -> None:
    """High-pass, low-pass and all-pass in series; no filter is no section."""
    rotation = AllPass(2, 300.0)
    whole = mic_sections(48000, 60.0, 9000.0, rotation)
    alone = [
        mic_sections(48000, high_pass_hz=60.0),
        mic_sections(48000, low_pass_hz=9000.0),
        mic_sections(48000, rotation=rotation),
    ]
    np.testing.assert_array_equal(whole, np.concatenate(alone))
    assert mic_sections(48000).shape == (0, 6)


def test_response_is_that_of_scipy_and_of_the_filtered_impulse() -> None:
    """What alignment and report compute is what the sound goes through (scipy's freqz_sos and sosfilt)."""
    sections = mic_sections(48000, 60.0, 4000.0, AllPass(1, 500.0))
    size = 1 << 15
    freqs = np.fft.rfftfreq(size, 1.0 / 48000)
    own = sections_response(sections, freqs, 48000)
    _, reference = freqz_sos(sections, worN=freqs, fs=48000)
    np.testing.assert_allclose(own, reference, atol=1e-9)
    impulse = np.zeros(size)
    impulse[0] = 1.0
    np.testing.assert_allclose(np.fft.rfft(sosfilt(sections, impulse)), own, atol=1e-9)  # it has died away by then


def test_no_section_is_no_change() -> None:
    """The response of nothing is one."""
    np.testing.assert_array_equal(sections_response(mic_sections(48000), np.array([0.0, 1e3]), 48000), [1.0, 1.0])
