"""Bad input: one clear line, exit 1, OUT untouched, whatever is wrong."""

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from premix.messages import REMEDIES
from tests.cli.conftest import Premix
from tests.rigs.sessions import Song, read, riff, tree, write_recipe, write_track


def edit(song: Song, old: str, new: str) -> None:
    """Change the recipe's text."""
    text = song.recipe.read_text("utf-8")
    assert old in text
    song.recipe.write_text(text.replace(old, new), "utf-8")


def cut_off(path: Path) -> None:
    """A WAV whose last third is missing, as after a copy that broke off."""
    raw = path.read_bytes()
    path.write_bytes(raw[: 2 * len(raw) // 3])


def with_nan(path: Path) -> None:
    """A float file with a NaN inside."""
    signal = read(path)[0]
    signal[5000] = np.nan
    write_track(path, signal, subtype="FLOAT")


CASES: dict[str, tuple[str, Callable[[Song], object], str]] = {
    "no such recipe": ("recipe-no-file", lambda s: s.recipe.unlink(), "recipe.yaml"),
    "typo in a key": ("recipe-unknown-key", lambda s: edit(s, "gain_db: -3", "gian_db: -3"), "gain_db"),
    "wrong type": ("recipe-wrong-value", lambda s: edit(s, "gain_db: -3", "gain_db: loud"), "number"),
    "two files for one mic": (
        "track-ambiguous",
        lambda s: shutil.copy(s.tracks / "left_ribbon.wav", s.tracks / "left_ribbon.WAV"),
        "ribbon",
    ),
    "none for one mic": ("track-not-found", lambda s: (s.tracks / "left_ribbon.wav").unlink(), "left/ribbon"),
    "mixed rates": ("mixed-rates", lambda s: write_track(s.tracks / "left_ribbon.wav", riff(1, 88200), 44100), "44100"),
    "empty file": ("empty-file", lambda s: (s.tracks / "left_ribbon.wav").write_bytes(b""), "left/ribbon"),
    "text named .wav": (
        "not-audio",
        lambda s: (s.tracks / "left_ribbon.wav").write_text("take 3 was better\n" * 40),
        "left/ribbon",
    ),
    "truncated WAV": ("truncated-file", lambda s: cut_off(s.tracks / "left_ribbon.wav"), "left/ribbon"),
    "NaN": ("track-not-finite", lambda s: with_nan(s.tracks / "left_ribbon.wav"), "left/ribbon"),
    "silence in a close mic": (
        "alignment-silent",
        lambda s: write_track(s.tracks / "left_ribbon.wav", np.zeros(96000)),
        "left/ribbon",
    ),
    "no tracks folder": ("track-no-folder", lambda s: shutil.rmtree(s.tracks), "tracks"),
}


@pytest.mark.parametrize("name", CASES)
def test_bad_input_is_one_clear_line(premix: Premix, song: Song, name: str) -> None:
    """Where, what and what to do in one line; exit 1; nothing written, and the earlier render in OUT stays."""
    slug, spoil, says = CASES[name]
    spoil(song)
    before = tree(song.recipe.parent)
    said = premix("render", song.recipe, song.tracks, "--out", song.out())
    assert said.code == 1
    assert said.out == ""
    (line,) = said.lines
    assert line.endswith(f"[{slug}]")
    assert slug in REMEDIES
    assert says in line
    assert tree(song.recipe.parent) == before


@pytest.mark.parametrize("name", CASES)
def test_bad_input_leaves_no_new_folder(premix: Premix, song: Song, name: str) -> None:
    """An OUT that was not there is not there afterwards, nor are the folders above it."""
    _, spoil, _ = CASES[name]
    spoil(song)
    assert premix("render", song.recipe, song.tracks, "--out", song.recipe.parent / "new" / "deep").code == 1
    assert not (song.recipe.parent / "new").exists()


@pytest.mark.parametrize("out", ["tracks", "tracks/out", ".", "tracks/../tracks/x"])
def test_out_inside_the_tracks_is_refused(premix: Premix, song: Song, out: str) -> None:
    """Inputs are never at risk: OUT in the tracks folder, over it or around it."""
    before = tree(song.recipe.parent)
    said = premix("render", song.recipe, song.tracks, "--out", song.recipe.parent / out, "--force")
    assert said.code == 1
    (line,) = said.lines
    assert line.endswith("[out-in-tracks]")
    assert tree(song.recipe.parent) == before


def test_folder_of_somebody_else_is_not_replaced(premix: Premix, song: Song) -> None:
    """OUT with files that premix did not write is refused, unless --force is given."""
    other = song.recipe.parent / "other"
    write_recipe(other, "mine\n", "notes.txt")
    said = premix("render", song.recipe, song.tracks, "--out", other)
    assert (said.code, said.lines[0].endswith("[out-exists]")) == (1, True)
    assert [p.name for p in other.iterdir()] == ["notes.txt"]
    assert premix("render", song.recipe, song.tracks, "--out", other, "--force", "--no-report").code == 0
    assert not (other / "notes.txt").exists()
    assert (other / "manifest.json").exists()


def test_every_problem_is_told_at_once(premix: Premix, song: Song) -> None:
    """Three faults of a recipe are three lines of one run, in the order of the file."""
    edit(song, "song: Command", "song: Command\ngata: {hold_ms: 40}")
    edit(song, "gain_db: -3", "gain_db: loud")
    edit(song, "bus: left", "bus: lfet")
    said = premix("render", song.recipe, song.tracks, "--out", song.out())
    assert said.code == 1
    numbers = [int(line.split("recipe.yaml:")[1].split(":")[0]) for line in said.lines]
    assert numbers == [3, 6, 9]


def test_every_bad_track_is_told_at_once(premix: Premix, song: Song) -> None:
    """An empty file, a text and a truncated file: three lines."""
    (song.tracks / "left_dynamic.wav").write_bytes(b"")
    (song.tracks / "left_ribbon.wav").write_text("no audio")
    cut_off(song.tracks / "left_room.wav")
    said = premix("render", song.recipe, song.tracks, "--out", song.out())
    assert said.code == 1
    assert [line.split()[0] for line in said.lines] == ["left/dynamic", "left/ribbon", "left/room"]
