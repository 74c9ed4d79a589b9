"""Drafts of one session under many habits of naming: each valid, each finding every track, each as it truly is."""

import os
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest

from premix.cli.main import run
from premix.demo.session import write_demo
from premix.draft.propose import propose
from premix.draft.write import recipe_text
from premix.pipeline import render
from premix.recipe.read import read_recipe
from premix.recipe.resolve import song_of
from premix.tracks.find import find_tracks, list_files
from tests.draft.habits import FROM_NOTHING, HABITS, PERFORMANCES, WITHOUT_SIDES, rename
from tests.rigs.sessions import decided, manifest_of, parts_of


@pytest.fixture(scope="module")
def tracks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three performances of five mics, three seconds."""
    folder = tmp_path_factory.mktemp("demo") / "tracks"
    write_demo(folder, seconds=3.0, performances=PERFORMANCES)
    return folder


def drafted(folder: Path, recipe: Path) -> Path:
    """The draft of a folder, as a file."""
    recipe.write_text(
        recipe_text(propose(folder, [file.name for file in list_files(folder, 3) if file.is_audio])), "utf-8"
    )
    return recipe


@pytest.mark.parametrize("habit", HABITS)
def test_every_track_is_found_as_what_it_is(habit: str, tracks: Path, tmp_path: Path) -> None:
    """The drafted recipe validates, and gives each file to the performance, mic, side and role that it truly is."""
    truth = rename(tracks, tmp_path / "song", HABITS[habit])
    merged = read_recipe(drafted(tmp_path / "song", tmp_path / "recipe.yaml"))
    recipe = merged.recipe
    found, roll = find_tracks(song_of(merged), tmp_path / "song")
    told = {track.path.relative_to(tmp_path / "song").as_posix(): track for track in found}
    assert set(told) == set(truth) and not roll.unused
    pairs = {(truth[name][0], track.performance) for name, track in told.items()}
    assert len(pairs) == 3, "one name a performance"
    assert len({(truth[name][1], track.mic) for name, track in told.items()}) == 5, "one name a mic"
    for name, track in told.items():
        performance, mic = truth[name]
        assert recipe.mics[track.mic].role == {"sub": "sub", "room": "room"}.get(mic, "close")
        if habit not in WITHOUT_SIDES:
            assert recipe.performances[track.performance].bus == performance.split("_")[0]


@pytest.mark.parametrize("habit", FROM_NOTHING)
def test_from_nothing_to_a_render(habit: str, tracks: Path, tmp_path: Path) -> None:
    """Two commands, nothing edited: every file used in its true role, three stems, three rooms, nothing muted."""
    truth = rename(tracks, tmp_path / "song", FROM_NOTHING[habit])
    recipe, out = tmp_path / "recipe.yaml", tmp_path / "out"
    assert run(["draft", str(tmp_path / "song"), "--save", str(recipe)]) == 0
    assert run(["render", str(recipe), str(tmp_path / "song"), "--out", str(out), "--no-report"]) == 0
    assert "mute" not in recipe.read_text("utf-8")
    told = {normal(entry["path"]): entry for entry in manifest_of(out)["inputs"]}
    assert set(told) == set(map(normal, truth))
    decisions = decided(out)
    roles = {}
    for name, (performance, mic) in truth.items():
        entry = told[normal(name)]
        decision = decisions[entry["performance"], entry["mic"]]
        roles[entry["performance"], performance, entry["mic"], mic] = decision["role"]
        assert decision["role"] == {"sub": "sub", "room": "room"}.get(mic, "close"), name
        assert decision["origin"] != "refused"
    assert len({(own, true) for own, true, _, _ in roles}) == 3 and len({(own, true) for _, _, own, true in roles}) == 5
    kinds = [part["kind"] for part in parts_of(out).values()]
    assert kinds.count("stem") == 3 and kinds.count("room") == 3 and kinds.count("guitar_bus") == 1


def normal(name: str) -> str:
    """A file's name in one Unicode form."""
    return unicodedata.normalize("NFC", name)


@pytest.mark.parametrize("habit", ["numbers alone", "a folder a side"])
def test_files_track_by_track_and_in_folders_render_too(habit: str, tracks: Path, tmp_path: Path) -> None:
    """A recipe that lists files, and one whose pattern reaches into folders."""
    rename(tracks, tmp_path / "song", HABITS[habit])
    recipe = drafted(tmp_path / "song", tmp_path / "recipe.yaml")
    render(recipe, tmp_path / "song", tmp_path / "out", report=False)
    assert len(decided(tmp_path / "out")) == 15
    assert all(entry["origin"] != "refused" for entry in decided(tmp_path / "out").values())


@pytest.mark.parametrize(
    ("habit", "performances", "mics"),
    [
        ("words of no table, two on one side", "left left2 right", "dark edge hall low near"),
        ("Finnish, takes at the end", "keski oikea vasen", "basso dyn huone kond nauha"),
        ("Russian", "levaia pravaia tsentr", "dinamik komnata kondensator lenta niz"),
        ("Polish, the mic first", "lewa prawa srodek", "dol dyn poj pokoj wstega"),
        ("song and tempo in front", "c1 l1 r1", "Dn Far Kn Rb Sb"),
    ],
)
def test_names_are_the_files_own_words(habit: str, performances: str, mics: str, tracks: Path, tmp_path: Path) -> None:
    """A grid is a pattern, and its names are what stands in the files, in Latin letters without accents."""
    rename(tracks, tmp_path / "song", FROM_NOTHING[habit])
    read = read_recipe(drafted(tmp_path / "song", tmp_path / "recipe.yaml")).recipe
    assert sorted(read.performances) == performances.split() and sorted(read.mics) == mics.split()
    assert "{performance}" in read.tracks.name and "{mic}" in read.tracks.name
    assert not any(mic.file for performance in read.performances.values() for mic in performance.mics.values())


def test_a_draft_is_the_same_in_every_run() -> None:
    """Readings of names that cost alike are taken in the order of the names, whatever order Python's sets have."""
    names = [f"{side} {mic}.wav" for side in "LR" for mic in ("0x10", "1e3", "no", "null", '#"q" &a')]
    code = f"from premix.draft.grid import grids; print(grids({names!r}))"
    said = {
        subprocess.run(
            [sys.executable, "-c", code], env={**os.environ, "PYTHONHASHSEED": seed}, capture_output=True, check=True
        ).stdout
        for seed in "0123"
    }
    assert len(said) == 1
