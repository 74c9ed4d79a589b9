"""`premix null`, `render --expect` and `render --recover` as a CI run uses them: exit codes and what is said."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.cli.conftest import Premix, Said
from tests.rigs.sessions import Song, manifest_of, riff, write_track


@pytest.fixture
def copied(song: Song) -> Path:
    """A copy of the song's earlier render."""
    return shutil.copytree(song.out(), song.out("approved"))


def one_sample_off(path: Path, steps: int) -> None:
    """Change the sample at 1 s by so many steps of 24 bits."""
    samples, rate = soundfile.read(path, dtype="int32")
    samples[rate] += steps << 8
    soundfile.write(path, samples, rate, subtype="PCM_24")


def test_equal_renders_null(premix: Premix, song: Song, copied: Path) -> None:
    """Nothing is left of any file: exit 0."""
    said = premix("null", song.out(), copied)
    assert (said.code, said.lines[-1]) == (0, "nulls below -120 dBFS")
    assert said.err.count("none") >= 4


@pytest.mark.parametrize(("below", "code"), [(None, 4), ("-100", 0)])
def test_a_difference_is_told_with_its_time(
    premix: Premix, song: Song, copied: Path, below: str | None, code: int
) -> None:
    """16 steps of 24 bits are -114.4 dBFS: above -120, below -100."""
    one_sample_off(copied / "stems" / "Command_stem_left.wav", 16)
    said = premix("null", song.out(), copied, *(() if below is None else ("--below", below)))
    assert said.code == code
    (line,) = [line for line in said.lines if "stem_left" in line]
    assert "-114.4" in line and "1.000000 s" in line


def test_two_files_null_by_themselves(premix: Premix, song: Song, copied: Path) -> None:
    """Files as well as folders."""
    name = "stems/Command_stem_left.wav"
    assert premix("null", song.out() / name, copied / name).code == 0
    one_sample_off(copied / name, 16)
    assert premix("null", song.out() / name, copied / name).code == 4


def expect(premix: Premix, song: Song, copied: Path, *options: object) -> Said:
    """Render again and hold it against the earlier manifest."""
    return premix(
        "render",
        song.recipe,
        song.tracks,
        "--out",
        song.out("new"),
        "--no-report",
        "--expect",
        copied / "manifest.json",
        *options,
    )


def test_the_same_inputs_give_the_samples_that_were_expected(premix: Premix, song: Song, copied: Path) -> None:
    """Whatever else the recipe says: a limit more moves no sample."""
    said = expect(premix, song, copied, "--set", "limits.true_peak_dbtp=0")
    assert (said.code, said.lines[-1]) == (0, "the samples that were expected")


@pytest.mark.parametrize("changed", ["recipe", "input left/ribbon", "premix"])
def test_what_changed_is_named(premix: Premix, song: Song, copied: Path, changed: str) -> None:
    """The recipe, an input, or the version: exit 4, the files that differ, and the cause."""
    options: tuple[str, ...] = ()
    if changed == "recipe":
        options = ("--set", "mics.dynamic.gain_db=-1")
    elif changed == "premix":
        document = manifest_of(copied)
        document["premix"] = "0.0.1"
        document["files"][0]["sha256"] = "0" * 64
        (copied / "manifest.json").write_text(json.dumps(document), "utf-8")
    else:
        write_track(song.tracks / "left_ribbon.wav", 0.5 * riff(1, 96000))
    said = expect(premix, song, copied, *options)
    assert said.code == 4
    causes = [line for line in said.lines if "[expect-cause]" in line and ": alignment " not in line]
    assert len(causes) == 1 and changed in causes[0]
    assert any("stem_left" in line and "[expect-file-differs]" in line for line in said.lines)
    assert said.lines[-1] == "not the samples that were expected"


def test_a_truncated_track_is_used_on_request_only_and_the_manifest_says_so(premix: Premix, song: Song) -> None:
    """Exit 1 without --recover; with it, what is there is rendered, with a warning and a mark in the manifest."""
    path = song.tracks / "left_ribbon.wav"
    path.write_bytes(path.read_bytes()[:-30_000])
    command = ("render", song.recipe, song.tracks, "--out", song.out("new"), "--no-report")
    said = premix(*command)
    assert (said.code, said.lines[0].rpartition(" ")[2]) == (1, "[truncated-file]")
    assert premix(*command, "--recover").code == 0
    manifest = manifest_of(song.out("new"))
    assert [i["mic"] for i in manifest["inputs"] if i["recovered"]] == ["ribbon"]
    assert [f["subject"] for f in manifest["findings"] if f["slug"] == "recovered-file"] == ["left/ribbon"]


def finding(said: Said, subject: str) -> str:
    """The one line about a subject."""
    (line,) = [line for line in said.lines if f": {subject}: " in line]
    return line


def test_a_changed_gain_is_told_by_key_and_in_db(premix: Premix, song: Song, copied: Path) -> None:
    """The key with both values; every file with its level, its worst third octave and the null, by their formulas."""
    said = expect(premix, song, copied, "--set", "performances.left.gain_db=-1")
    assert said.code == 4
    assert "-1 instead of not there" in finding(said, "recipe performances.left.gain_db")
    null_db = 20 * np.log10(1 - 10 ** (-1 / 20))
    for part in ("stem_left", "room_left", "bus_left", "guitars"):
        line = finding(said, part)
        assert "level -1.00 dB, most at " in line and f"Hz: -1.00 dB, null {null_db:.1f} dB" in line
    moved = shutil.copytree(song.out("new"), song.out("softer"))
    again = expect(premix, song, moved, "--force", "--set", "performances.left.gain_db=-3")
    assert "-3 instead of -1" in finding(again, "recipe performances.left.gain_db")


def test_a_decision_is_told_in_samples_and_polarity(premix: Premix, song: Song, copied: Path) -> None:
    """A ribbon 2 samples earlier and the right way round: the decision says so beside the track."""
    take, rate = soundfile.read(song.tracks / "left_ribbon.wav")
    write_track(song.tracks / "left_ribbon.wav", -np.roll(take, -2), rate)
    said = expect(premix, song, copied)
    assert "has other samples" in finding(said, "input left/ribbon")
    line = finding(said, "alignment left/ribbon")
    assert "(-2.0" in line and "polarity normal instead of inverted" in line


def test_a_change_in_one_band_is_told_there(premix: Premix, song: Song, copied: Path) -> None:
    """A bell of 6 dB at 1 kHz on the bus: the stems are what they were."""
    chain = "buses.left.chain=[{bell: {frequency_hz: 1000, gain_db: 6, q: 4}}]"
    said = expect(premix, song, copied, "--set", chain)
    assert not [line for line in said.lines if ": stem_left: " in line]
    line = finding(said, "bus_left")
    assert float(line.partition("most at 1000 Hz: ")[2].partition(" dB")[0]) > 4.0  # 6 at the middle of the band


def test_without_the_earlier_files_levels_are_told_and_nothing_is_made_up(
    premix: Premix, song: Song, copied: Path, tmp_path: Path
) -> None:
    """The manifest alone, and files that are not its own: the level by the manifests, no band, no null."""
    alone = shutil.copytree(copied, tmp_path / "alone")
    shutil.rmtree(alone / "stems")
    one_sample_off(alone / "Command_guitars.wav", 1)
    said = expect(premix, song, alone, "--set", "performances.left.gain_db=-1")
    for part in ("stem_left", "guitars"):
        line = finding(said, part)
        assert "level -1.00 dB by the manifests" in line and "null" not in line.partition("[")[0]
    assert "most at" in finding(said, "bus_left")


def test_another_length_is_told_as_such(premix: Premix, song: Song, copied: Path) -> None:
    """No sample of it can be compared."""
    for path in song.tracks.glob("*.wav"):
        take, rate = soundfile.read(path, dtype="int32")
        soundfile.write(path, take[: 2 * rate - 100], rate, subtype="PCM_24")
    assert "has 95900 samples instead of 96000 samples" in finding(expect(premix, song, copied), "guitars")


@pytest.mark.parametrize("gone", [("a",), ("b",), ("a", "b")], ids="".join)
def test_null_says_which_is_missing(premix: Premix, song: Song, gone: tuple[str, ...]) -> None:
    """One line for each path that is not there, exit 1."""
    paths = {"a": song.out(), "b": song.out()} | {name: song.out(f"no_{name}") for name in gone}
    said = premix("null", paths["a"], paths["b"])
    assert said.code == 1
    assert [line.partition(":")[0] for line in said.lines] == [str(song.out(f"no_{name}")) for name in gone]
    assert all(line.endswith("[null-missing]") for line in said.lines)


def test_json_hides_no_broken_limit(premix: Premix, song: Song) -> None:
    """Standard output is the manifest; standard error still says what does not hold."""
    command = ("render", song.recipe, song.tracks, "--out", song.out("new"), "--no-report", "--json")
    said = premix(*command, "--set", "limits.mono_fold_db=-1", "--set", "limits.true_peak_dbtp=-60")
    assert said.code == 4 and json.loads(said.out)["format"] == 1
    assert sorted(line.rpartition("[")[2].rstrip("]") for line in said.lines[:-1]) == [
        "limit-mono-fold",
        "limit-true-peak",
    ]
    assert said.lines[-1] == "2 limits broken"
