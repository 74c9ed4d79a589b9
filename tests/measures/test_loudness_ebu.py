"""Loudness against the minimum-requirement signals of EBU Tech 3341 and 3342, and against other readers."""

import re
import subprocess
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile

from premix.measures.loudness import LoudnessMeter
from tests.measures.signals import RATE, FloatArray, feed_in_pieces, riff_noise, sine, tones

TOLERANCE_LU = 0.1  # EBU Tech 3341:2023, table 1: +-0.1 LU for every loudness case
BLOCKS = (57_600, 4_096, 9_999)


def measure(signal: FloatArray, rate: int = RATE) -> dict[str, float | None]:
    meter = LoudnessMeter(rate, len(signal))
    feed_in_pieces(meter, signal, BLOCKS)
    return meter.values()


@pytest.mark.parametrize("rate", [44_100, 48_000, 88_200, 96_000, 192_000])
@pytest.mark.parametrize("level_db", [-23.0, -33.0])
def test_cases_1_and_2_a_steady_tone_reads_its_level_on_every_scale(level_db: float, rate: int) -> None:
    """EBU Tech 3341 cases 1 and 2: M, S and I read the tone's level, at every rate."""
    found = measure(tones([(20.0, level_db)], rate=rate), rate)
    assert found["loudness_lufs"] == pytest.approx(level_db, abs=TOLERANCE_LU)
    assert found["momentary_max_lufs"] == pytest.approx(level_db, abs=TOLERANCE_LU)
    assert found["short_term_max_lufs"] == pytest.approx(level_db, abs=TOLERANCE_LU)


@pytest.mark.parametrize(
    "steps",
    [
        [(10, -36), (60, -23), (10, -36)],
        [(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)],
        [(20, -26), (20.1, -20), (20, -26)],
    ],
    ids=["case 3", "case 4", "case 5"],
)
def test_cases_3_to_5_the_gates_leave_out_what_is_soft(steps: list[tuple[float, float]]) -> None:
    """EBU Tech 3341 cases 3, 4 and 5: integrated loudness -23.0 LUFS."""
    assert measure(tones(steps))["loudness_lufs"] == pytest.approx(-23.0, abs=TOLERANCE_LU)


@pytest.mark.parametrize(("below_lu", "counts"), [(12.5, True), (13.1, False)])
def test_the_relative_gate_is_10_lu_under_the_ungated_mean(below_lu: float, counts: bool) -> None:
    """Half loud, half `below_lu` softer: the mean lies 2.7 to 2.8 LU under the loud half, so the gate at -12.8.

    0.03 LU: the blocks across the step.
    """
    found = measure(tones([(30.0, -20.0), (30.0, -20.0 - below_lu)]))
    both = -20.0 + 10.0 * np.log10((1.0 + 10.0 ** (-below_lu / 10.0)) / 2.0)
    assert found["loudness_lufs"] == pytest.approx(both if counts else -20.0, abs=0.03)


def test_case_9_short_term_loudness_is_steady_over_its_own_period() -> None:
    """EBU Tech 3341 case 9: S is -23.0 LUFS at every moment after the first 3 s."""
    meter = LoudnessMeter(RATE, 2)
    feed_in_pieces(meter, tones([(1.34, -20), (1.66, -30)] * 5), BLOCKS)
    short_term = -0.691 + 10.0 * np.log10(meter.short_term_powers())
    assert len(short_term) == 121  # 15 s, every 100 ms, from 3 s on
    np.testing.assert_allclose(short_term, -23.0, atol=TOLERANCE_LU)


@pytest.mark.parametrize("i", range(1, 21))
def test_case_10_the_short_term_maximum_is_found_wherever_it_starts(i: int) -> None:
    """EBU Tech 3341 case 10: 3 s of tone after 0.15 i s of silence read S max -23.0 LUFS."""
    silent, after = np.zeros((2, round(0.15 * i * RATE))), np.zeros((2, RATE))
    found = measure(np.concatenate((silent, tones([(3.0, -23)]), after), axis=1))
    assert found["short_term_max_lufs"] == pytest.approx(-23.0, abs=TOLERANCE_LU)


def test_case_11_the_short_term_maximum_follows_rising_tones() -> None:
    """EBU Tech 3341 case 11: tones of 3 s at -38 ... -19 dBFS, staggered, raise S max one by one."""
    meter = LoudnessMeter(RATE, 2)
    for i in range(20):
        gap = np.zeros((2, round(0.15 * i * RATE)))
        rest = np.zeros((2, round((3.0 - 0.15 * i) * RATE)))
        meter.feed(np.concatenate((gap, tones([(3.0, -38.0 + i)]), rest), axis=1))
        assert meter.values()["short_term_max_lufs"] == pytest.approx(-38.0 + i, abs=TOLERANCE_LU)


def test_case_12_momentary_loudness_is_steady_over_its_own_period() -> None:
    """EBU Tech 3341 case 12: M max is -23.0 LUFS from 1 s on."""
    meter = LoudnessMeter(RATE, 2)
    for k in range(25):
        meter.feed(tones([(0.18, -20), (0.22, -30)]))
        if k >= 2:
            assert meter.values()["momentary_max_lufs"] == pytest.approx(-23.0, abs=TOLERANCE_LU)


@pytest.mark.parametrize("i", range(1, 21))
def test_case_13_the_momentary_maximum_is_found_wherever_it_starts(i: int) -> None:
    """EBU Tech 3341 case 13: 400 ms of tone after 0.02 i s of silence read M max -23.0 LUFS."""
    silent, after = np.zeros((2, round(0.02 * i * RATE))), np.zeros((2, RATE))
    found = measure(np.concatenate((silent, tones([(0.4, -23)]), after), axis=1))
    assert found["momentary_max_lufs"] == pytest.approx(-23.0, abs=TOLERANCE_LU)


def test_case_14_the_momentary_maximum_follows_rising_tones() -> None:
    """EBU Tech 3341 case 14: tones of 400 ms at -38 ... -19 dBFS, staggered, raise M max one by one."""
    meter = LoudnessMeter(RATE, 2)
    for i in range(20):
        gap = np.zeros((2, round(0.02 * i * RATE)))
        rest = np.zeros((2, round((0.4 - 0.02 * i) * RATE)))
        meter.feed(np.concatenate((gap, tones([(0.4, -38.0 + i)]), rest), axis=1))
        assert meter.values()["momentary_max_lufs"] == pytest.approx(-38.0 + i, abs=TOLERANCE_LU)


@pytest.mark.parametrize(
    ("levels_db", "range_lu"), [((-20, -30), 10), ((-20, -15), 5), ((-40, -20), 20), ((-50, -35, -20, -35, -50), 15)]
)
def test_loudness_range_of_steps(levels_db: tuple[float, ...], range_lu: float) -> None:
    """EBU Tech 3342, table 1, cases 1 to 4: steps of 20 s; +-1 LU is the document's tolerance."""
    found = measure(tones([(20.0, level_db) for level_db in levels_db]))
    assert found["loudness_range_lu"] == pytest.approx(range_lu, abs=1.0)


@pytest.mark.parametrize(("below_lu", "range_lu"), [(19.0, 19.0), (21.0, 0.0)])
def test_what_lies_20_lu_under_the_mean_is_no_part_of_the_range(below_lu: float, range_lu: float) -> None:
    """EBU Tech 3342: the relative gate of the range lies 20 LU under the power mean of what passes -70 LUFS.

    Three parts of a loud tone and one of a soft one, whose power counts for next to nothing in the mean.
    """
    mean_db = 10.0 * np.log10(3.0 / 4.0)
    found = measure(tones([(60.0, -20.0), (20.0, -20.0 + mean_db - below_lu)]))
    assert found["loudness_range_lu"] == pytest.approx(range_lu - (mean_db if range_lu else 0.0), abs=0.2)


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_pyloudnorm_reads_the_same(rate: int, channels: int) -> None:
    """pyloudnorm (De Man filters): 0.03 LU, because its high-pass is not scaled to the 48 kHz pass band.

    Its loudness range interpolates the percentiles, so 0.2 LU there.
    """
    signal = riff_noise(20.0, seed=1, rate=rate, channels=channels)
    found = measure(signal, rate)
    reader = pyloudnorm.Meter(rate, filter_class="DeMan")
    limit = 1e-3 if rate == RATE else 0.03
    assert found["loudness_lufs"] == pytest.approx(reader.integrated_loudness(signal.T), abs=limit)
    assert found["loudness_range_lu"] == pytest.approx(reader.loudness_range(signal.T), abs=0.2)


@pytest.mark.tools("ffmpeg")
def test_ffmpeg_reads_the_same(tmp_path: Path) -> None:
    """ffmpeg's ebur128 filter, which prints one decimal: 0.06 LU for loudness, 0.1 LU more for its range."""
    signal = riff_noise(20.0, seed=2) * np.where(np.arange(20 * RATE) < 10 * RATE, 1.0, 0.4)
    path = tmp_path / "riff.wav"
    soundfile.write(path, signal.T, RATE, subtype="DOUBLE")
    command = ["ffmpeg", "-nostats", "-hide_banner", "-i", str(path)]
    command += ["-af", "ebur128=framelog=verbose", "-f", "null", "-"]
    printed = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    summary = printed[printed.index("Summary") :]
    integrated = float(re.search(r"I:\s+(-?[\d.]+) LUFS", summary)[1])  # type: ignore[index]
    range_lu = float(re.search(r"LRA:\s+([\d.]+) LU", summary)[1])  # type: ignore[index]
    found = measure(signal)
    assert found["loudness_lufs"] == pytest.approx(integrated, abs=0.06)
    assert found["loudness_range_lu"] == pytest.approx(range_lu, abs=0.16)


def test_one_channel_reads_3_lu_below_two() -> None:
    """The mono convention: one channel, so 10 log10 2 = 3.01 LU under the same audio as dual mono."""
    mono, dual = measure(tones([(5.0, -20)], channels=1)), measure(tones([(5.0, -20)]))
    assert mono["loudness_lufs"] is not None and dual["loudness_lufs"] is not None
    assert dual["loudness_lufs"] - mono["loudness_lufs"] == pytest.approx(10.0 * np.log10(2.0), abs=1e-9)


def test_a_full_scale_997_hz_sine_reads_the_standards_calibration() -> None:
    """ITU-R BS.1770-5, annex 1: 0 dBFS at 997 Hz in one channel is -3.01 LKFS (0.01: as printed)."""
    found = measure(sine(10.0, 0.0, 997.0)[None])
    assert found["loudness_lufs"] == pytest.approx(-3.01, abs=0.01)
