"""Mics to one signal: what delay, gain, filters and blocks do to the samples of a file."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from premix.arrays import FloatArray
from premix.audio.filters import TAPS
from premix.mixdown.mic_sum import HOP, MicSum, Workspace
from premix.model.alignment import Passage
from premix.model.mix import MicPath
from premix.model.tracks import Track
from premix.pipeline import load
from tests.rigs.sessions import read, riff, write_song

RATE = 48000
FRAMES = 40000
RECIPE = """\
format: 1
mics: {dynamic: {}, ribbon: {}, sub: {role: sub}}
performances: {left: {bus: left}}
"""
TONES_HZ = (47.0, 180.3, 997.0, 3150.7, 7919.0, 14300.0, 19990.0)


def tones(moved_samples: float = 0.0, rate: int = RATE) -> FloatArray:
    """Sines up to 20 kHz, peak under 1, `moved_samples` later than its own zero: exact at every place."""
    at = np.arange(FRAMES) - moved_samples
    waves: FloatArray = np.sum([0.12 * np.sin(2 * np.pi * hz / rate * at + hz) for hz in TONES_HZ], axis=0)
    return waves


@pytest.fixture(scope="module")
def tracks(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Track]:
    """Three mics in 64-bit float files, so that nothing but premix's own work is measured."""
    signals = {"left_dynamic": tones(), "left_ribbon": riff(1, FRAMES), "left_sub": riff(2, FRAMES)}
    song = write_song(tmp_path_factory.mktemp("mic_sum"), RECIPE, signals, subtype="DOUBLE")
    _, found = load(song.recipe, song.tracks)
    return {mic.name: mic.track for mic in found.mics}


def summed(paths: Sequence[MicPath], rows: int = 5, rate: int = RATE) -> FloatArray:
    """The whole sum of some mics, streamed in blocks of `rows`."""
    mics = MicSum(paths, rate, Workspace(rows))
    blocks = []
    for _ in range(0, FRAMES, rows * HOP):
        out = np.empty(rows * HOP)
        mics.next(rows, out)
        blocks.append(out)
    mics.close()
    return np.concatenate(blocks)[:FRAMES]


def shifted(signal: FloatArray, advance: int) -> FloatArray:
    """The signal, whole samples earlier (or later), zeros where there is none."""
    moved = np.zeros_like(signal)
    if advance >= 0:
        moved[: len(signal) - advance] = signal[advance:]
    else:
        moved[-advance:] = signal[:advance]
    return moved


@pytest.mark.parametrize("delay", [0, 1, -1, 96, -2000, 4801, 39999, -60000])
def test_whole_delays_move_the_samples_bit_for_bit(tracks: dict[str, Track], delay: int) -> None:
    """No filter, no transform: the file's own samples, earlier for a mic that is late."""
    signal = read(tracks["ribbon"].header.path)[0]
    moved = shifted(signal, delay) if abs(delay) < FRAMES else np.zeros(FRAMES)
    np.testing.assert_array_equal(summed([MicPath(tracks["ribbon"], 1.0, delay_samples=float(delay))]), moved)


@pytest.mark.parametrize("delay", [0.0, 300.0, 30000.0, -300.0])
def test_the_filter_of_a_mic_has_heard_all_of_its_file(tracks: dict[str, Track], delay: float) -> None:
    """A mic that is advanced has sound before the first block: the filter's memory of it is there. Filtered whole by
    scipy, then moved; the high-pass at 20 Hz rings for a tenth of a second."""
    signal = np.append(read(tracks["ribbon"].header.path)[0], np.zeros(FRAMES))  # it rings on after the file
    wanted = shifted(sosfilt(butter(2, 20.0, "highpass", fs=RATE, output="sos"), signal), round(delay))[:FRAMES]
    out = summed([MicPath(tracks["ribbon"], 1.0, delay_samples=delay, high_pass_hz=20.0)])
    np.testing.assert_allclose(out, wanted, atol=1e-12)


@pytest.mark.parametrize("delay", [0.5, -0.5, 0.013, 16.83, -77.41, 1920.5])
def test_delays_between_samples_are_exact_below_minus_120_db(tracks: dict[str, Track], delay: float) -> None:
    """Sines from 47 Hz to 19.99 kHz, advanced: each is the sine that it will be, below -120 dB of its peak.

    The first and last 100 samples are left out: there the file begins and ends.
    """
    out = summed([MicPath(tracks["dynamic"], 1.0, delay_samples=delay)])
    inner = slice(100 + max(0, int(np.ceil(-delay))), FRAMES - 100 - max(0, int(np.ceil(delay))))
    # Seven deviations of -134 dB at most, each of a tone of 0.12: far below 1e-6 of a tone's own peak.
    assert np.max(np.abs(out - tones(-delay))[inner]) < 0.12e-6


@pytest.mark.parametrize(("gain", "polarity"), [(1.0, -1), (0.31, 1), (1.7, -1)])
def test_gain_and_polarity_are_one_factor(tracks: dict[str, Track], gain: float, polarity: int) -> None:
    """With and without a delay, a gain multiplies and a polarity of -1 inverts, to the rounding of the transform."""
    ribbon, factor = tracks["ribbon"], gain * polarity
    plain = summed([MicPath(ribbon, 1.0, 1, 3.0)])
    np.testing.assert_array_equal(summed([MicPath(ribbon, gain, polarity, 3.0)]), factor * plain)
    between = summed([MicPath(ribbon, 1.0, 1, 3.3)])
    np.testing.assert_allclose(summed([MicPath(ribbon, gain, polarity, 3.3)]), factor * between, rtol=0, atol=1e-15)


def test_sum_of_mics_is_the_sum_of_each_alone(tracks: dict[str, Track]) -> None:
    """Spectra added before the one inverse transform give what three separate ones do, to their rounding."""
    paths = [
        MicPath(tracks["dynamic"], 0.7),
        MicPath(tracks["ribbon"], 1.2, -1, 11.37),
        MicPath(tracks["sub"], 0.9, 1, -40.8),
    ]
    np.testing.assert_allclose(summed(paths), np.sum([summed([p]) for p in paths], axis=0), rtol=0, atol=1e-15)


@pytest.mark.parametrize("rows", [1, 2, 7, 30])
def test_blocks_change_no_bit(tracks: dict[str, Track], rows: int) -> None:
    """Rows of the transform lie at fixed places, filters keep their state: any block size, the same samples."""
    paths = [
        MicPath(tracks["dynamic"], 0.7, high_pass_hz=70.0),
        MicPath(tracks["ribbon"], 1.2, -1, 11.37),
        MicPath(tracks["sub"], 0.9, 1, -40.8, low_pass_hz=180.0),
    ]
    np.testing.assert_array_equal(summed(paths, rows), summed(paths, 5))


def test_filters_are_scipys_on_the_file_before_the_delay(tracks: dict[str, Track]) -> None:
    """A low-passed, whole-sample delayed mic is scipy's filter on the whole file, then moved: bit for bit."""
    signal = read(tracks["sub"].header.path)[0]
    # 64 samples late: the filter has seen the file's beginning before the song's.
    out = summed([MicPath(tracks["sub"], 1.0, 1, 64.0, low_pass_hz=180.0)])
    wanted = shifted(sosfilt(butter(2, 180.0, fs=RATE, output="sos"), signal), 64)
    np.testing.assert_allclose(out[: FRAMES - 64], wanted[: FRAMES - 64], rtol=0, atol=1e-12)  # rounding


def test_advanced_mic_keeps_the_sound_before_the_songs_start(tracks: dict[str, Track]) -> None:
    """A fractional delay reads on both sides of a place: what lies before the first sample takes part.

    Whole samples away from each other, two reads of one file are the same sound.
    """
    near = summed([MicPath(tracks["ribbon"], 1.0, 1, 100.4)])
    far = summed([MicPath(tracks["ribbon"], 1.0, 1, 150.4)])
    np.testing.assert_allclose(near[50 : FRAMES - 300], far[: FRAMES - 350], rtol=0, atol=1e-15)


@pytest.mark.parametrize("delay", [33.0, 33.4])
@pytest.mark.parametrize("rows", [1, 5, 21])
def test_a_mic_that_changes_is_summed_as_the_one_that_does_not(
    tracks: dict[str, Track], delay: float, rows: int
) -> None:
    """Two passages of one mic, far apart in delay and turned over: outside the fade each is that delay's own sum.

    The second lies a whole number of samples from the first, so that both are the same to the last bit.
    """
    passages = (Passage(0.0, 0.4, delay, -1), Passage(0.4, FRAMES / RATE, delay - 100.0, 1))
    path = MicPath(tracks["ribbon"], 0.7, -1, delay, passages=passages)
    steady = [replace(path, polarity=p.polarity, delay_samples=p.delay_samples, passages=()) for p in passages]
    first, second = (summed([one]) for one in steady)
    out = summed([path], rows)
    reach = 120 + TAPS  # half the fade, and the FIR's reach
    # A transform of the same samples at other places of a row: its rounding, no more.
    np.testing.assert_allclose(out[: 19200 - reach], first[: 19200 - reach], atol=1e-15)
    np.testing.assert_allclose(out[19200 + reach :], second[19200 + reach :], atol=1e-15)
    np.testing.assert_array_equal(out, summed([path]))
