"""The common trim: every file under the ceiling, one gain for all, and nothing written where none is allowed."""

from pathlib import Path

import numpy as np
import pytest
from scipy.signal import resample_poly

from premix.arrays import FloatArray
from premix.errors import DeliveryError
from premix.pipeline import render
from tests.rigs.sessions import Song, hashes, manifest_of, parts_of, riff, samples, tree, write_song

RECIPE = """\
format: 1
song: Loud
mics:
  dynamic: {polarity: normal, delay: none}
  ribbon: {gain_db: -1, polarity: normal, delay: {samples: 3.4}}
  room: {role: room, gain_db: -6, polarity: normal}
performances:
  left: {bus: left}
  right: {bus: right, gain_db: -4}
"""


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Two performances that add up to more than full scale."""
    takes = {
        f"{name}_{mic}": riff(seed, 96000, peak=0.9)
        for seed, name in enumerate(("left", "right"))
        for mic in ("dynamic", "ribbon", "room")
    }
    made = write_song(tmp_path_factory.mktemp("loud"), RECIPE, takes)
    render(made.recipe, made.tracks, made.out(), settings=["deliver.bits=32"])
    return made


def true_peak_dbtp(signal: FloatArray) -> float:
    """Peak of the signal at 16 times its rate, by scipy's own filter (independent of premix's meter)."""
    fine = resample_poly(signal, 16, 1, axis=1, window=("kaiser", 12.0))
    return 20.0 * float(np.log10(np.max(np.abs(fine))))


def test_no_file_passes_the_ceiling(song: Song) -> None:
    """-1 dBTP holds for every file; the loudest is just under it, not far below.

    0.02 dB above for what a 16 times finer grid finds between the points of the 4 times grid of ITU-R BS.1770;
    0.06 below: the trim is cut to hundredths, and the meter's own filter reads up to 0.04 dB high.
    """
    peaks = {part: true_peak_dbtp(samples(song.out(), part)) for part in parts_of(song.out())}
    assert max(peaks.values()) <= -1.0 + 0.02
    assert max(peaks.values()) >= -1.0 - 0.06


def test_one_gain_for_all_keeps_the_balance(song: Song) -> None:
    """Every file is the untrimmed one times one gain: no file is treated by itself."""
    trim_db = manifest_of(song.out())["trim_db"]
    assert -12.0 < trim_db < -3.0
    # The ceiling at full scale and 12 dB less of everything: no trim, and the same mix but for one gain.
    quiet = [f"mics.{mic}.gain_db={db - 12}" for mic, db in (("dynamic", 0), ("ribbon", -1), ("room", -6))]
    render(song.recipe, song.tracks, song.out("quiet"), settings=["deliver.bits=32", *quiet])
    assert manifest_of(song.out("quiet"))["trim_db"] == 0.0
    gain = 10.0 ** ((trim_db + 12.0) / 20.0)
    for part in parts_of(song.out()):
        trimmed, plain = samples(song.out(), part), samples(song.out("quiet"), part)
        # Two files of 32-bit floats, half a step of 2^-24 each, the second one louder by the gain.
        np.testing.assert_allclose(trimmed, gain * plain, rtol=0, atol=2.0**-25 * (1.0 + gain))


def test_measures_are_those_of_the_trimmed_files(song: Song) -> None:
    """The manifest's peaks are the files' own, though they were measured before the trim."""
    for part, entry in parts_of(song.out()).items():
        peak = 20.0 * np.log10(np.max(np.abs(samples(song.out(), part))))
        assert entry["sample_peak_dbfs"] == pytest.approx(peak, abs=1e-5)  # rounding to 32-bit float
        assert entry["true_peak_dbtp"] <= -1.0


@pytest.mark.parametrize("bits", [16, 24])
def test_no_sample_is_held_at_full_scale(song: Song, tmp_path: Path, bits: int) -> None:
    """Trimmed before the quantiser: no overs, at any depth."""
    render(song.recipe, song.tracks, tmp_path / "out", settings=[f"deliver.bits={bits}"])
    assert {entry["overs"] for entry in parts_of(tmp_path / "out").values()} == {0}


def test_without_leave_to_trim_nothing_is_written(song: Song, tmp_path: Path) -> None:
    """deliver.trim none: every file that is too loud is named, with its peak, and OUT stays as it was."""
    out = tmp_path / "out"
    render(song.recipe, song.tracks, out, settings=["deliver.ceiling_dbtp=0"])
    before = tree(tmp_path)
    with pytest.raises(DeliveryError) as caught:
        render(song.recipe, song.tracks, out, settings=["deliver.trim=none"])
    told = {problem.where: problem for problem in caught.value.problems}
    assert {problem.slug for problem in told.values()} == {"over-ceiling"}
    assert {"stem_left", "bus_left", "guitars"} <= set(told)
    assert "room_left" not in told
    assert tree(tmp_path) == before


def test_a_lower_ceiling_moves_all_files_by_the_same(song: Song, tmp_path: Path) -> None:
    """Six dB less ceiling is six dB less of everything, to the hundredth."""
    render(song.recipe, song.tracks, tmp_path / "out", settings=["deliver.ceiling_dbtp=-7", "deliver.bits=32"])
    trims = [manifest_of(out)["trim_db"] for out in (song.out(), tmp_path / "out")]
    assert trims[0] - trims[1] == pytest.approx(6.0, abs=1e-9)
    assert hashes(tmp_path / "out") != hashes(song.out())
