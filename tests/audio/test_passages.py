"""Tracks read through their passages: whole samples as they are, the rest between samples, nothing at the joins."""

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile
from scipy.signal import firwin

from premix.arrays import FloatArray
from premix.audio.filters import advance_fir
from premix.audio.headers import read_header
from premix.audio.passages import PassageReader, powers_of_advance
from premix.model.alignment import Passage
from premix.model.tracks import Track
from tests.rigs.sessions import riff

RATE = 48000
FRAMES = 60000
SECONDS = FRAMES / RATE
TONES_HZ = (47.0, 997.0, 7919.0, 19990.0, 0.9 * RATE / 2)


def tones(at: npt.ArrayLike) -> FloatArray:
    """Sines up to 0.9 of Nyquist at any places, in samples; each has a peak of 0.15."""
    places = np.asarray(at, np.float64)
    waves: FloatArray = np.sum([0.15 * np.sin(2 * np.pi * hz / RATE * places + hz) for hz in TONES_HZ], axis=0)
    return waves


def track_of(folder: Path, signal: FloatArray, name: str = "mic") -> Track:
    path = folder / f"{name}.wav"
    soundfile.write(path, signal, RATE, "DOUBLE")
    return Track("left", name, read_header(path))


def through(
    track: Track, passages: list[Passage], delay: float = 0.0, polarity: int = 1, blocks: tuple[int, ...] = (FRAMES,)
) -> FloatArray:
    """The first FRAMES samples that such a reader gives, in blocks of these sizes, over and over."""
    out, done = np.full(FRAMES, np.nan), 0
    with PassageReader(track, passages, delay, polarity, RATE) as reader:
        while done < FRAMES:
            for block in blocks:
                reader.read(done, out[done : done + block])
                done += block
                if done >= FRAMES:
                    break
    return out


def test_whole_samples_and_polarity_are_copied_bit_for_bit(tmp_path: Path) -> None:
    """The file's own samples, turned over and moved from the place of the change on; 5 ms around it are faded."""
    signal = riff(3, FRAMES)
    passages = [Passage(0.0, 0.5, 40.25, 1), Passage(0.5, SECONDS, 140.25, -1)]
    out = through(track_of(tmp_path, signal), passages, delay=40.25)
    edge = 24000 + 40  # what is advanced by 40.25 is at 0.5 s
    np.testing.assert_array_equal(out[: edge - 120], signal[: edge - 120])
    np.testing.assert_array_equal(out[edge + 120 : -100], -signal[edge + 220 :])
    np.testing.assert_array_equal(out[-100:], 0.0)


def test_a_mic_that_jumped_is_the_mic_that_did_not(tmp_path: Path) -> None:
    """A file cut at 0.6 s, 333 samples put in and turned over: read through its passages it is the file before that."""
    signal, cut = riff(4, FRAMES), 28800
    jumped = np.concatenate([signal[:cut], np.zeros(333), -signal[cut:]])
    passages = [Passage(0.0, 0.6, 0.0, 1), Passage(0.6, SECONDS, 333.0, -1)]
    out = through(track_of(tmp_path, jumped), passages)
    np.testing.assert_array_equal(out[: cut - 120], signal[: cut - 120])
    np.testing.assert_array_equal(out[cut + 120 :], signal[cut + 120 :])
    # In the fade one side reads the silence that was put in: the sound is there, at a part of its level.
    assert np.max(np.abs(out[cut - 120 : cut + 120])) <= np.max(np.abs(signal[cut - 120 : cut + 120]))


@pytest.mark.parametrize("later", [0.5, -0.5, 1.5, 0.013, 33.37, -77.41])
def test_fractions_are_exact_below_minus_120_db(tmp_path: Path, later: float) -> None:
    """Sines to 0.9 of Nyquist, the sinc's design range: each tone deviates by -138 dB at most."""
    out = through(track_of(tmp_path, tones(np.arange(FRAMES))), [Passage(0.0, SECONDS, later + 12.0, 1)], delay=12.0)
    inner = slice(200, FRAMES - 200)
    error = np.abs(out - tones(np.arange(FRAMES) + later))[inner]
    assert float(error.max()) < 1e-6 * 0.15


@pytest.mark.parametrize("ppm", [-1000.0, -30.0, 0.3, 7.0, 100.0, 1000.0])
@pytest.mark.parametrize("delay", [0.0, -20.5])
def test_a_drift_is_followed_below_minus_100_db(tmp_path: Path, ppm: float, delay: float) -> None:
    """The sound at every moving place is the sines' own there, to 0.9 of Nyquist: no click, no comb.

    At output time n the passage's delay is 5.2 + ppm 1e-6 (n - 0.25 s); it was read `delay` later.
    """
    out = through(track_of(tmp_path, tones(np.arange(FRAMES))), [Passage(0.25, SECONDS, 5.2, -1, ppm)], delay)
    at = np.arange(FRAMES)
    places = at - delay + 5.2 + 1e-6 * ppm * (at - delay - 0.25 * RATE)
    inner = slice(200, FRAMES - 300)
    error = np.abs(out + tones(places))[inner]
    # -138 dB of the sinc for each of five tones; -100 dB is what a followed drift has to keep.
    assert float(error.max()) < 1e-6 * 0.15


def test_drifts_that_meet_make_no_click(tmp_path: Path) -> None:
    """Two lines of drift with a corner: at the join both sides are the same place, and so is what lies between."""
    corner = 5.0 + 100e-6 * 0.5 * RATE
    passages = [Passage(0.0, 0.5, 5.0, 1, 100.0), Passage(0.5, SECONDS, corner, 1, -40.0)]
    out = through(track_of(tmp_path, tones(np.arange(FRAMES))), passages, delay=0.0)
    at = np.arange(FRAMES)
    places = at + np.where(at < 24000, 5.0 + 100e-6 * at, corner - 40e-6 * (at - 24000))
    error = np.abs(out - tones(places))[200:-200]
    # Within the fade of 5 ms one side is up to 120 samples x 140 ppm = 0.017 sample off, by half: at 21.6 kHz that is
    # 0.017 x 0.25 x 2.83 x 0.15 at the most. Outside it nothing is.
    assert float(error[23600 : 24000 + 200].max()) < 0.0018 * 1.5
    assert float(np.concatenate([error[:23600], error[24200:]]).max()) < 1e-6 * 0.15


def test_a_fade_is_as_long_as_the_shorter_side_allows(tmp_path: Path) -> None:
    """A passage of 1 ms (48 samples) is faded in and out in its own length: the middle of it is its own."""
    signal = np.full(FRAMES, 0.25)
    passages = [Passage(0.0, 0.5, 0.0, 1), Passage(0.5, 0.501, 0.0, -1), Passage(0.501, SECONDS, 0.0, 1)]
    out = through(track_of(tmp_path, signal), passages)
    np.testing.assert_array_equal(out[: 24000 - 24], 0.25)
    np.testing.assert_array_equal(out[24048 + 24 :], 0.25)
    steps = np.abs(np.diff(out))
    assert out.min() == pytest.approx(-0.25, abs=0.25 * 2 / 48)
    assert float(steps.max()) <= 0.5 / 48 + 1e-12  # one even ramp each way


PASSAGES = [
    Passage(0.0, 0.2, 3.0, 1),
    Passage(0.2, 0.45, 11.31, -1),
    Passage(0.45, 0.9, 11.31, -1, 80.0),
    Passage(0.9, SECONDS, -40.0, 1, -300.0),
]


@pytest.mark.parametrize("blocks", [(1920,), (61440,), (7, 4096, 3841, 1), (3840,), (119, 12001)])
def test_the_blocks_that_are_asked_for_have_no_effect(tmp_path: Path, blocks: tuple[int, ...]) -> None:
    """Bit for bit, over copies, fractions, drifts and the fades between them."""
    track = track_of(tmp_path, riff(5, FRAMES))
    whole = through(track, PASSAGES, delay=3.4, polarity=-1)
    np.testing.assert_array_equal(through(track, PASSAGES, delay=3.4, polarity=-1, blocks=blocks), whole)


def test_any_stretch_is_the_same_stretch(tmp_path: Path) -> None:
    """Players start anywhere, filters before the first sample; what lies outside the file is silence."""
    track = track_of(tmp_path, riff(6, FRAMES))
    whole = through(track, PASSAGES, delay=3.4)
    for first, last in pairwise((-5000, -60, 9000, 21000, 43500, FRAMES, FRAMES + 9000)):
        out = np.full(last - first, np.nan)
        with PassageReader(track, PASSAGES, 3.4, 1, RATE) as reader:
            reader.read(first, out)
        inside = slice(max(0, -first), min(len(out), FRAMES - first))
        np.testing.assert_array_equal(out[inside], whole[max(0, first) : max(0, last)])
        assert np.isfinite(out).all()


def test_one_steady_passage_is_the_file(tmp_path: Path) -> None:
    signal = riff(7, FRAMES)
    np.testing.assert_array_equal(through(track_of(tmp_path, signal), [Passage(0.0, SECONDS, 7.7, 1)], 7.7), signal)


@pytest.mark.parametrize("fraction", [-0.5, -0.31, 0.0, 0.123, 0.5])
def test_moving_taps_are_the_standing_ones(fraction: float) -> None:
    """Powers of the fraction give the taps of the same sinc: their sum of differences bounds the error at any pitch."""
    powers = powers_of_advance()
    taps = fraction ** np.arange(len(powers)) @ powers
    # A signal through the difference is at most its peak times this sum; -125 dB.
    assert float(np.abs(taps - advance_fir(fraction)).sum()) < 5.6e-7


def test_a_followed_drift_is_what_another_resampler_makes(tmp_path: Path) -> None:
    """A file made faster by scipy's polyphase resampler (ratio 2001 / 2000) is the file before, once it is followed.

    Band: noise below 15 kHz; scipy.signal.resample_poly with a Kaiser filter of its own, 120 dB.
    """
    from scipy.signal import resample_poly

    rng = np.random.default_rng(8)
    noise = np.convolve(rng.standard_normal(FRAMES), firwin(401, 15000, fs=RATE, window=("kaiser", 14.0)), "same")
    noise *= 0.3 / np.abs(noise).max()
    # 120 taps of its filter meet each sample: a transition from 15 to 23 kHz.
    taps: FloatArray = np.asarray(firwin(240_001, 19000, fs=RATE * 2001, window=("kaiser", 14.0)), np.float64)
    resample: Callable[..., FloatArray] = resample_poly
    longer = resample(noise, 2001, 2000, window=taps)
    out = through(track_of(tmp_path, longer), [Passage(0.0, SECONDS, 0.0, 1, 500.0)])
    error = np.abs(out - noise)[500:-500]
    # Both filters' errors together; -100 dB of the peak.
    assert float(error.max()) < 3e-6
