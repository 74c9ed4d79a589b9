"""What a draft cannot take as it is: dead, equal, foreign and missing tracks, and folders that hold no order."""

import os
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.cli.main import run
from premix.demo.session import write_demo
from premix.draft.propose import propose
from premix.draft.write import recipe_text
from premix.pipeline import render
from premix.recipe.read import read_recipe
from premix.tracks.find import list_files
from tests.rigs.sessions import decided, write_track

RATE = 48000


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two performances of five mics, three seconds."""
    folder = tmp_path_factory.mktemp("two") / "tracks"
    write_demo(folder, seconds=3.0, performances=("left_a", "right_a"))
    return folder


@pytest.fixture
def song(two: Path, tmp_path: Path) -> Path:
    """A copy of the two performances that a test may spoil."""
    shutil.copytree(two, tmp_path / "song")
    return tmp_path / "song"


def drafted(folder: Path) -> str:
    """The draft's text."""
    names = [file.name for file in list_files(folder, 3) if file.is_audio]
    return recipe_text(propose(folder, names))


def renders(folder: Path, text: str) -> dict[tuple[str, str], dict[str, object]]:
    """The decisions of a render with a drafted recipe."""
    recipe = folder.parent / "recipe.yaml"
    recipe.write_text(text, "utf-8")
    render(recipe, folder, folder.parent / "out")
    return decided(folder.parent / "out")


def test_a_silent_track_is_muted_with_a_question(song: Path) -> None:
    """A dead channel is named, muted in its performance alone, and the song renders."""
    write_track(song / "right_a_ribbon.wav", np.zeros(3 * RATE))
    text = drafted(song)
    assert "# ? right_a/ribbon: silent from start to end" in text
    assert "ribbon: {mute: true, polarity: normal, delay: none}" in text
    assert renders(song, text)["left_a", "ribbon"]["origin"] == "auto"


def test_a_silent_reference_gives_way(song: Path) -> None:
    """Where the dynamic mic is dead in one performance, another close mic is the reference."""
    write_track(song / "right_a_dynamic.wav", np.zeros(3 * RATE))
    text = drafted(song)
    assert "reference: condenser" in text or "reference: ribbon" in text
    renders(song, text)


def test_a_track_of_another_performance_is_told(song: Path) -> None:
    """A file that sounds like the other performance is muted, and the question says which one it sounds like."""
    samples, _ = soundfile.read(song / "left_a_ribbon.wav")
    write_track(song / "right_a_ribbon.wav", 0.5 * samples)
    text = drafted(song)
    assert "# ? right_a/ribbon: it sounds like a track of left_a" in text
    renders(song, text)


def test_an_equal_file_is_left_out_and_named(song: Path) -> None:
    """A copy under another name is found by its samples."""
    shutil.copyfile(song / "left_a_ribbon.wav", song / "left_a_ribbon copy.wav")
    text = drafted(song)
    assert "# ? 'left_a_ribbon copy.wav': every sample is that of 'left_a_ribbon.wav'" in text
    renders(song, text)


def test_a_missing_mic_is_optional_with_a_question(song: Path) -> None:
    """A mic without a file in one performance may be missing, and the draft asks for it."""
    (song / "right_a_room.wav").unlink()
    text = drafted(song)
    assert "optional: true" in text and "# ? no file of room in right_a" in text
    assert ("right_a", "room") not in renders(song, text)


def test_what_is_no_mic_stays_out(song: Path) -> None:
    """A guide, a stereo mix, another rate, a cut-off file, text called .wav: each left out, and why."""
    rng = np.random.default_rng(4)
    write_track(song / "left_a_guide.wav", 0.1 * rng.standard_normal(3 * RATE))
    soundfile.write(song / "both.wav", 0.1 * rng.standard_normal((RATE, 2)), RATE, "PCM_24")
    soundfile.write(song / "left_c_dynamic.wav", 0.1 * rng.standard_normal(RATE), 44100, "PCM_24")
    (song / "left_b_dynamic.wav").write_bytes((song / "left_a_dynamic.wav").read_bytes()[:2000])
    (song / "notes.wav").write_text("no audio at all, just words that somebody saved")
    text = drafted(song)
    for told in (
        "by its name a mix or a guide",
        "its two channels differ",
        "its rate is 44100 Hz",
        "cut short",
        "not an audio file",
    ):
        assert told in text
    assert len(renders(song, text)) == 10


def test_roles_come_from_the_audio_where_names_are_silent(song: Path) -> None:
    """Five mics called 1 to 5: sub and room are heard; a name that disagrees with the audio becomes a question."""
    for performance in ("left_a", "right_a"):
        for number, mic in enumerate(("dynamic", "condenser", "ribbon", "sub", "room"), 1):
            (song / f"{performance}_{mic}.wav").rename(song / f"{performance[0]} mic {number}.wav")
    roles = {mic.name: mic.role for mic in propose(song, sorted(path.name for path in song.glob("*.wav"))).mics}
    assert roles == {"1": "close", "2": "close", "3": "close", "4": "sub", "5": "room"}
    for side in "lr":
        (song / f"{side} mic 4.wav").rename(song / f"{side} dyn.wav")
    assert "dyn: the name says close, the audio sounds like sub" in drafted(song)


@pytest.mark.parametrize("count", [1, 5])
def test_one_performance_alone_asks_for_its_side(count: int, song: Path) -> None:
    """One file, or one performance, gives a recipe that renders, and a question."""
    kept = [song / f"left_a_{mic}.wav" for mic in ("dynamic", "condenser", "ribbon", "sub", "room")][:count]
    for path in song.glob("*.wav"):
        if path in kept:
            path.rename(path.with_name(path.name.replace("left_a_", "guitar ")))
        else:
            path.unlink()
    text = drafted(song)
    assert "which side is it heard on" in text
    assert len(renders(song, text)) == count


def test_names_that_yaml_would_misread_stay_names(song: Path) -> None:
    """Mics called 0x10, 1e3, no and #: every name is a text in the recipe."""
    for old, new in (("dynamic", "0x10"), ("condenser", "1e3"), ("ribbon", "no"), ("sub", "null"), ("room", '#"q" &a')):
        for performance in ("left_a", "right_a"):
            (song / f"{performance}_{old}.wav").rename(song / f"{performance[0].upper()} {new}.wav")
    assert len(renders(song, drafted(song))) == 10


def line_of(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """The one line of a command that stops with exit code 1."""
    assert run(arguments) == 1
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1
    return err


def test_folders_without_tracks_get_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Missing, empty, without audio, and only undecodable names."""
    assert "[track-no-folder]" in line_of(["draft", str(tmp_path / "none")], capsys)
    assert "[draft-no-audio]" in line_of(["draft", str(tmp_path)], capsys)
    (tmp_path / "notes.txt").write_text("x")
    assert "[draft-no-audio]" in line_of(["draft", str(tmp_path)], capsys)
    Path(os.fsdecode(os.fsencode(tmp_path) + b"/l\xff dyn.wav")).write_bytes(b"x")
    assert "[draft-nothing-usable]" in line_of(["draft", str(tmp_path)], capsys)


def test_five_thousand_files_get_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A whole archive is no song: told at once, without opening a file."""
    opened: list[Path] = []
    monkeypatch.setattr("premix.draft.sound.read_header", opened.append)
    for number in range(5000):
        (tmp_path / f"{number}.wav").touch()
    assert "[draft-too-many-files]" in line_of(["draft", str(tmp_path)], capsys)
    assert not opened


def test_files_without_any_order_get_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Seventy unrelated files are no set-up of mics."""
    rng = np.random.default_rng(9)
    for number in range(70):
        name = "".join(chr(97 + letter) for letter in rng.integers(0, 26, 9))
        write_track(tmp_path / f"x {name}{number}.wav", 0.1 * rng.standard_normal(4800))
    assert "[draft-no-order]" in line_of(["draft", str(tmp_path)], capsys)


def test_an_undecodable_name_among_good_ones_is_a_comment(song: Path) -> None:
    """Such a file is named by its escapes, and the rest is drafted."""
    shutil.copyfile(song / "left_a_sub.wav", os.fsdecode(os.fsencode(song) + b"/l\xff dyn.wav"))
    text = drafted(song)
    assert "udcff dyn.wav" in text and text.isprintable() is False and "its name cannot be written" in text
    text.encode("utf-8")


def test_save_replaces_drafts_only(song: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--save writes what standard output would show, replaces an earlier draft, and nothing else."""
    saved = tmp_path / "recipe.yaml"
    for _ in range(2):
        assert run(["draft", str(song), "--save", str(saved)]) == 0
    capsys.readouterr()
    assert run(["draft", str(song)]) == 0
    assert capsys.readouterr().out == saved.read_text("utf-8")
    read_recipe(saved)
    saved.write_text("format: 1\n", "utf-8")
    assert "[save-exists]" in line_of(["draft", str(song), "--save", str(saved)], capsys)
