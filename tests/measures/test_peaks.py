"""Sample peak, rms, crest and DC by definition; true peak against EBU Tech 3341, every point of its grid, others."""

import pickle
import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import resample

from premix.measures.peaks import LevelMeter, TruePeakMeter, interpolators, oversampling, rms_to_dbfs
from tests.measures.signals import RATE, FloatArray, feed_in_pieces, riff_noise, sine

EXACT = 1e-9  # rounding of float64 sums


def levels(signal: FloatArray, gain: float = 1.0) -> dict[str, float | None]:
    meter = LevelMeter(RATE, len(signal))
    meter.feed(signal)
    return meter.values(gain)


def test_a_full_scale_sine_reads_0_dbfs_rms_and_3_db_of_crest() -> None:
    """AES17: 0 dBFS is the rms of a 997 Hz full-scale sine. 0.001 dB: no sample is quite at its peak."""
    found = levels(sine(1.0, 0.0, 997.0)[None])
    assert found["rms_dbfs"] == pytest.approx(0.0, abs=EXACT)
    assert found["sample_peak_dbfs"] == pytest.approx(0.0, abs=0.001)
    assert found["crest_db"] == pytest.approx(10.0 * np.log10(2.0), abs=0.001)


def test_a_full_scale_square_reads_3_dbfs_rms_and_no_crest() -> None:
    """AES17: a full-scale square wave is +3.01 dBFS."""
    found = levels(np.tile([1.0, 1.0, -1.0, -1.0], 1000)[None])
    assert found["rms_dbfs"] == pytest.approx(10.0 * np.log10(2.0), abs=EXACT)
    assert found["crest_db"] == pytest.approx(0.0, abs=EXACT)
    assert rms_to_dbfs(1.0) == pytest.approx(10.0 * np.log10(2.0), abs=EXACT)


def test_the_peak_is_the_largest_of_either_sign_in_any_channel() -> None:
    """A negative peak in the second channel counts."""
    signal = np.array([[0.1, 0.2, 0.0], [0.0, -0.5, 0.3]])
    assert levels(signal)["sample_peak_dbfs"] == pytest.approx(20.0 * np.log10(0.5), abs=EXACT)


def test_dc_is_the_worse_channels_mean_and_scales_with_the_gain() -> None:
    """DC keeps its sign; levels follow |gain|, crest does not move."""
    signal = riff_noise(1.0, seed=20)
    signal -= signal.mean(axis=1, keepdims=True)
    signal += np.array([[0.01], [-0.02]])
    full, half = levels(signal), levels(signal, gain=-0.5)
    assert full["dc"] == pytest.approx(-0.02, abs=1e-12)
    assert half["dc"] == pytest.approx(0.01, abs=1e-12)
    assert half["crest_db"] == pytest.approx(full["crest_db"], abs=EXACT)
    for name in ("sample_peak_dbfs", "rms_dbfs"):
        before, after = full[name], half[name]
        assert before is not None and after is not None
        assert before - after == pytest.approx(20.0 * np.log10(2.0), abs=EXACT)


def test_silence_has_no_level_but_a_dc() -> None:
    """None, not minus infinity; also before anything was fed."""
    none = {"sample_peak_dbfs": None, "rms_dbfs": None, "crest_db": None, "dc": 0.0}
    assert levels(np.zeros((2, 100))) == none
    assert levels(np.zeros((1, 0))) == none


def test_levels_do_not_depend_on_the_blocking() -> None:
    """Odd blocks give the same figures to 1e-12 relative."""
    signal = riff_noise(1.0, seed=21) + 0.01
    meter = LevelMeter(RATE, 2)
    feed_in_pieces(meter, signal, (777, 1, 4096))
    expected = levels(signal)
    assert all(meter.values()[name] == pytest.approx(expected[name], rel=1e-12) for name in expected)


EBU_DB = (-0.4, 0.2)  # EBU Tech 3341:2023, table 1: true peak within +0.2/-0.4 dB

AIM_DB = 0.1

ROUNDING_DB = 1e-11  # sums of 32 products in another order


def true_peak_db(signal: FloatArray, rate: int = RATE) -> float:
    meter = TruePeakMeter(rate, len(signal))
    feed_in_pieces(meter, signal, (57_600, 4_801, 12_345))
    return float(20.0 * np.log10(meter.peak()))


def every_point_db(signal: FloatArray, rate: int = RATE) -> float:
    """The same with every point of the grid computed, and nothing left out."""
    filters = interpolators(oversampling(rate))
    padded = np.pad(signal, ((0, 0), (40, 40)))
    points = [np.correlate(channel, filter_, "valid") for channel in padded for filter_ in filters]
    return float(20.0 * np.log10(max(np.abs(signal).max(), np.abs(points).max())))


def faded(signal: FloatArray, rate: int = RATE) -> FloatArray:
    """The signal with fades of 10 ms, shape (1, frames)."""
    ramp = np.sin(np.linspace(0.0, np.pi / 2.0, round(0.01 * rate))) ** 2
    signal = signal.copy()
    signal[: len(ramp)] *= ramp
    signal[-len(ramp) :] *= ramp[::-1]
    return signal[None]


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(
    ("part", "phase_deg", "amplitude", "expected_db"),
    [(4, 0.0, 0.5, -6.0), (4, 45.0, 0.5, -6.0), (6, 60.0, 0.5, -6.0), (8, 67.5, 0.5, -6.0), (4, 45.0, 1.41, 3.0)],
    ids=["case 15", "case 16", "case 17", "case 18", "case 19"],
)
def test_cases_15_to_19_sines_that_peak_between_the_samples(
    part: int, phase_deg: float, amplitude: float, expected_db: float, rate: int
) -> None:
    """EBU Tech 3341 cases 15 to 19: sines at rate/4, /6 and /8; within 0.1 dB, the aim inside +0.2/-0.4."""
    tone = faded(sine(0.5, 20.0 * np.log10(amplitude), rate / part, rate, phase_deg), rate)
    assert true_peak_db(tone, rate) == pytest.approx(expected_db, abs=AIM_DB)


@pytest.mark.parametrize("offset", range(4))
def test_cases_20_to_23_one_loud_period_between_the_samples(offset: int) -> None:
    """EBU Tech 3341 cases 20 to 23: rate/6 at 0.5 with one period of rate/4 at 1.0, made at 4 x the rate.

    Found +0.17, +0.18, -0.25 and +0.18 dB. No interpolation comes nearer to 0: with every fourth sample taken the
    signal itself peaks at +0.19, +0.22, -0.25 and +0.22 dB, as Fourier interpolation to 64 times the rate shows, and
    that is what the meter is held against: 0.05 dB, what lies between 8 points a sample.
    """
    soft = 0.5 * np.sin(2.0 * np.pi * np.arange(24 * 400) / 24)
    loud = np.sin(2.0 * np.pi * np.arange(16) / 16)
    fine = faded(np.concatenate((soft, loud, soft)), 4 * RATE)[0]
    signal = fine[offset::4][None]
    low, high = EBU_DB
    assert low <= true_peak_db(signal) <= high
    padded = np.pad(signal[0], 4000)
    ideal_db = 20.0 * np.log10(np.abs(resample(padded, 64 * len(padded))).max())
    assert true_peak_db(signal) == pytest.approx(ideal_db, abs=0.05)


@pytest.mark.parametrize("frequency_hz", [997.0, 6300.0, 15_000.0, 20_000.0])
def test_a_sine_reads_its_amplitude(frequency_hz: float) -> None:
    """A long sine comes within 20 log10 cos(pi f / (8 rate)) below its amplitude, 0.1 dB at 20 kHz."""
    tone = faded(sine(1.0, -3.0, frequency_hz))
    worst_db = 20.0 * np.log10(np.cos(np.pi * frequency_hz / (8 * RATE)))
    assert -3.0 + worst_db - 0.005 <= true_peak_db(tone) <= -3.0 + 0.005  # 0.005: -77 dB of filter error, fades


@pytest.mark.parametrize("phase_deg", np.arange(0.0, 60.0, 7.5))
def test_the_grid_is_eight_times_as_fine_as_the_samples(phase_deg: float) -> None:
    """A sine at rate/3 meets 24 points a period whatever its phase: at most 20 log10 cos(pi/24) low."""
    tone = faded(sine(0.5, 0.0, RATE / 3, phase_deg=phase_deg))
    assert 20.0 * np.log10(np.cos(np.pi / 24)) - 0.005 <= true_peak_db(tone) <= 0.005


def test_the_interpolators_are_exact_for_straight_lines() -> None:
    """The bound of the pruning rests on it: constants and slopes come out to rounding."""
    line = 3.0 + 0.25 * np.arange(-15, 17)
    for factor in (2, 4, 8):
        expected = 3.0 + 0.25 * np.arange(1, factor) / factor
        np.testing.assert_allclose(interpolators(factor) @ line, expected, atol=1e-12)


@pytest.mark.parametrize("rate", [48_000, 96_000, 192_000])
@pytest.mark.parametrize("kind", ["riff", "white", "square", "late burst", "tone and clicks"])
def test_pruning_changes_nothing(kind: str, rate: int) -> None:
    """Pruned = every point computed, to rounding, on material that prunes well, badly and late."""
    rng = np.random.default_rng(7)
    signals = {
        "riff": riff_noise(3.0, seed=8, rate=RATE),
        "white": rng.standard_normal((2, RATE)),
        "square": np.sign(np.sin(np.arange(RATE) * 0.3))[None],
        "late burst": 0.1 * rng.standard_normal((1, RATE)) * np.linspace(0.0, 1.0, RATE) ** 8,
        "tone and clicks": sine(1.0, -6.0)[None] + 0.5 * (rng.random((1, RATE)) > 0.9995),
    }
    assert true_peak_db(signals[kind], rate) == pytest.approx(every_point_db(signals[kind], rate), abs=ROUNDING_DB)


def test_ideal_interpolation_reads_the_same() -> None:
    """scipy's Fourier interpolation to the same grid: 0.03 dB, as the clipped noise reaches past 20 kHz."""
    signal = riff_noise(3.0, seed=9, channels=1)
    padded = np.pad(signal[0], 4000)
    fine = resample(padded, oversampling(RATE) * len(padded))
    assert true_peak_db(signal) == pytest.approx(20.0 * np.log10(np.abs(fine).max()), abs=0.03)


@pytest.mark.tools("ffmpeg")
def test_ffmpeg_reads_the_same(tmp_path: Path) -> None:
    """ffmpeg's ebur128 (4 x, one decimal): 0.05 for its rounding, 0.05 for its coarser grid."""
    signal = 0.9 * riff_noise(4.0, seed=10)
    path = tmp_path / "riff.wav"
    soundfile.write(path, signal.T, RATE, subtype="DOUBLE")
    command = ["ffmpeg", "-nostats", "-hide_banner", "-i", str(path)]
    command += ["-af", "ebur128=peak=true:framelog=verbose", "-f", "null", "-"]
    printed = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    peak_db = float(re.search(r"Peak:\s+(-?[\d.]+) dBFS", printed)[1])  # type: ignore[index]
    assert true_peak_db(signal) == pytest.approx(peak_db, abs=0.1)


@pytest.mark.parametrize("sizes", [(1_000_000,), (57_600,), (511, 1, 512, 513), (100,)])
def test_the_blocking_does_not_matter(sizes: tuple[int, ...]) -> None:
    """Any block sizes give the same peak to rounding, and asking on the way changes nothing."""
    signal = riff_noise(1.0, seed=11)
    whole, pieces = TruePeakMeter(RATE, 2), TruePeakMeter(RATE, 2)
    whole.feed(signal)
    pieces.feed(signal[:, :0])
    pieces.peak()
    feed_in_pieces(pieces, signal, sizes)
    pieces.peak()
    assert pieces.peak() == pytest.approx(whole.peak(), rel=1e-13)


def test_pruning_changes_nothing_on_many_short_signals() -> None:
    """400 random signals, smooth to rough, each with its own largest point at its own place."""
    rng = np.random.default_rng(13)
    for _ in range(400):
        rough = rng.standard_normal((1, 60)) * rng.random((1, 60)) ** rng.integers(0, 6)
        smooth = np.convolve(rough[0], np.hanning(2 + rng.integers(1, 9)), "same")[None]
        signal = np.pad(smooth, ((0, 0), (int(rng.integers(0, 40)), 0)))
        assert true_peak_db(signal) == pytest.approx(every_point_db(signal), abs=ROUNDING_DB)


@pytest.mark.parametrize("reverse", [False, True])
@pytest.mark.parametrize("offset", range(0, 16, 3))
def test_pruning_changes_nothing_on_signals_made_against_it(offset: int, reverse: bool) -> None:
    """Signs that add up all of the half-way filter's taps, beside a lone sample a little lower than their sum;
    and the same beside a flat stretch, where all the curvature lies in the next chunk."""
    half_way = interpolators(8)[3]
    signs = np.sign(half_way)
    lone = np.zeros(64)
    lone[32] = 0.98 * np.abs(half_way).sum()
    summing = np.concatenate((np.zeros(offset), lone, signs, np.zeros(64)))
    flat = np.concatenate((np.zeros(offset), np.ones(100), signs[16:], np.zeros(64)))
    for signal in (summing, flat):
        samples = (signal[::-1] if reverse else signal)[None]
        assert true_peak_db(samples) == pytest.approx(every_point_db(samples), abs=ROUNDING_DB)


@pytest.mark.parametrize("where", ["first", "last"])
def test_a_peak_at_either_end_is_seen(where: str) -> None:
    """A sound at half the rate that is cut at full swing peaks half a sample outside of the file."""
    sound: FloatArray = np.asarray((-1.0) ** np.arange(2000) * np.exp(-np.arange(2000) / 200.0), np.float64)[None]
    sound = sound if where == "first" else sound[:, ::-1]
    assert true_peak_db(sound) == pytest.approx(every_point_db(sound), abs=ROUNDING_DB)
    assert true_peak_db(sound) > 1.0  # dB above the samples


def test_a_trim_is_a_plain_shift_and_silence_has_no_peak() -> None:
    """gain 0.5 lowers the figure by 20 log10 2; silence gives None."""
    meter = TruePeakMeter(RATE, 1)
    assert meter.values() == {"true_peak_dbtp": None}
    meter.feed(sine(0.2, -1.0)[None])
    full, half = meter.values()["true_peak_dbtp"], meter.values(gain=-0.5)["true_peak_dbtp"]
    assert full is not None and half is not None
    assert full - half == pytest.approx(20.0 * np.log10(2.0), abs=1e-12)


def test_memory_does_not_grow() -> None:
    """The pickled meter is as large after 60 s as after 10 s (to one block's remainder, under 13 kB)."""
    meter = TruePeakMeter(RATE, 1)
    block = riff_noise(10.0, seed=12, channels=1)
    meter.feed(block)
    before = len(pickle.dumps(meter))
    for _ in range(5):
        meter.feed(block)
    assert abs(len(pickle.dumps(meter)) - before) < 13_000
