"""Drafts of several songs: one house recipe, a song.yaml where a song differs, nothing of the user's overwritten."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from premix.cli.main import run
from premix.draft.house import Drafted, change, drafted
from premix.draft.write import EMPTY_SONG, MARK, document_of
from premix.recipe.read import read_recipe
from premix.recipe.record import Recipe
from premix.recipe.resolve import song_of
from premix.tracks.find import find_tracks
from tests.draft.sources import RATE, in_room, late, performance, proposed, write_mics
from tests.rigs.sessions import FloatArray, decided, tree

MICS = ("dyn", "cond", "room")
SIDES = ("left", "right")


def signals(seed: int) -> dict[tuple[str, str], FloatArray]:
    """A small session: two performances, two close mics and a room mic."""
    found = {}
    for number, side in enumerate(SIDES):
        played = performance(10 * seed + number)
        found[side, "dyn"] = played
        found[side, "cond"] = late(played, 0.4)
        found[side, "room"] = in_room(played, seed, decay_s=0.5)
    return found


def write(folder: Path, seed: int, spelled: str, **words: str) -> Path:
    """A song whose file names are `spelled` with {p} and {m}; words: others than the own ones, '' for no such file."""
    named = {(p, m): (words.get(p, p), words.get(m, m)) for p in SIDES for m in MICS}
    tracks = {spelled.format(p=p, m=m): signals(seed)[pair] for pair, (p, m) in named.items() if p and m}
    return write_mics(folder, tracks)


def saved(folders: list[Path], house: Path) -> int:
    """Exit code of a draft of the folders with --save."""
    return run(["draft", *map(str, folders), "--save", str(house)])


def found_in(house: Path, folder: Path) -> tuple[Recipe, dict[str, tuple[str, str]]]:
    """The recipe as merged for a song, and what its files are taken for."""
    merged = read_recipe(house, song_folder=folder)
    tracks, call = find_tracks(song_of(merged), folder)
    assert not call.unused
    return merged.recipe, {track.path.stem: (track.performance, track.mic) for track in tracks}


def test_songs_alike_share_one_recipe(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The song's name in the file names becomes {song}: one recipe, no song.yaml, and it finds a song it never saw."""
    folders = [
        write(tmp_path / name, seed, name + "_{p}_{m}") for seed, name in enumerate(("Undertow", "Sluice", "Groyne"))
    ]
    assert saved(folders[:2], tmp_path / "house.yaml") == 0
    assert "no questions; next: premix batch" in capsys.readouterr().err
    assert not list(tmp_path.glob("*/song.yaml"))
    for folder in folders:
        recipe, files = found_in(tmp_path / "house.yaml", folder)
        assert files == {f"{folder.name}_{p}_{m}": (p, m) for p in SIDES for m in MICS}
        assert {name: mic.role for name, mic in recipe.mics.items()} == {
            "dyn": "close",
            "cond": "close",
            "room": "room",
        }


def test_a_song_that_differs_gets_its_own_file_and_renders(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Other words, a mic that was not there, a performance that was not there: the house's names, to a render."""
    plain = [write(tmp_path / name, seed, "{p}_{m}") for seed, name in enumerate(("Undertow", "Sluice"))]
    german = write(
        tmp_path / "Buhne", 3, "Gitarre {p} {m}", left="links", right="rechts", cond="Kondensator", room="Raum"
    )
    bare = write(tmp_path / "Groyne", 4, "{p}_{m}", room="", right="")
    house = tmp_path / "house.yaml"
    assert saved([bare, *plain, german], house) == 0
    assert sorted(path.parent.name for path in tmp_path.glob("*/song.yaml")) == ["Buhne", "Groyne"]
    _, files = found_in(house, german)
    assert files["Gitarre links Raum"] == ("left", "room") and files["Gitarre rechts Kondensator"] == ("right", "cond")
    recipe, files = found_in(house, bare)
    assert set(files.values()) == {("left", "dyn"), ("left", "cond")} and list(recipe.mics) == ["dyn", "cond"]
    for song in (plain[0], german, bare):
        out = tmp_path / f"out {song.name}"
        assert run(["render", str(house), str(song), "--out", str(out), "--no-report"]) == 0
        assert len(decided(out)) == len(found_in(house, song)[1])
    capsys.readouterr()
    assert run(["draft", *map(str, [bare, *plain, german])]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith(house.read_text("utf-8")), "redirected into a file, it is the recipe that --save writes"
    assert all(line.startswith("#") or not line for line in printed[len(house.read_text("utf-8")) :].splitlines())


def test_one_role_for_a_mic_of_all_songs(tmp_path: Path) -> None:
    """A mic that sounds close in one song and like a room in two has one role; the odd song asks."""
    folders = [write(tmp_path / name, seed, "{p}_{m}", room="hall") for seed, name in enumerate(("one", "two", "odd"))]
    for side in SIDES:
        (folders[2] / f"{side}_hall.wav").unlink()
        write_mics(folders[2], {f"{side}_hall": late(signals(2)[side, "dyn"], 0.9)})
    draft = drafted([proposed(folder) for folder in folders])
    assert "hall: {role: room" in draft.recipe and not draft.songs
    assert "# ? 'odd': hall: room in the other songs, here close" in draft.recipe and "'left_hall.wav'" in draft.recipe


def test_a_file_of_the_users_is_never_overwritten(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One song.yaml that no draft wrote: it is named, and nothing at all is written."""
    folders = [write(tmp_path / "Undertow", 1, "{p}_{m}"), write(tmp_path / "Sluice", 2, "GTR {p} {m}")]
    own = write(tmp_path / "Groyne", 3, "{m} {p}")
    (own / "song.yaml").write_text("song: Groyne\n", "utf-8")
    before = tree(tmp_path)
    assert saved([*folders, own], tmp_path / "house.yaml") == 1
    assert capsys.readouterr().err.startswith(f"{own / 'song.yaml'}: something else is there")
    assert tree(tmp_path) == before


def test_an_earlier_drafts_song_file_is_replaced(tmp_path: Path) -> None:
    """What an earlier draft said of a song is not laid over a new recipe."""
    folders = [write(tmp_path / "Undertow", 1, "{p}_{m}"), write(tmp_path / "Sluice", 2, "GTR {p} {m}")]
    assert saved(folders, tmp_path / "house.yaml") == 0
    assert (folders[1] / "song.yaml").read_text("utf-8").startswith(MARK)
    assert saved(folders[1:], tmp_path / "own.yaml") == 0
    assert (folders[1] / "song.yaml").read_text("utf-8") == EMPTY_SONG
    assert len(found_in(tmp_path / "own.yaml", folders[1])[1]) == 6


def test_every_folder_that_is_no_song_is_named_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two of three folders are wrong: a line for each, nothing on standard output, nothing written."""
    good = write(tmp_path / "Undertow", 1, "{p}_{m}")
    (tmp_path / "empty").mkdir()
    assert saved([good, tmp_path / "empty", tmp_path / "none"], tmp_path / "house.yaml") == 1
    out, err = capsys.readouterr()
    assert out == "" and [line.rpartition(" ")[2] for line in err.splitlines()] == [
        "[draft-no-audio]",
        "[track-no-folder]",
    ]
    assert not (tmp_path / "house.yaml").exists()


def test_songs_with_nothing_in_common_still_render(tmp_path: Path) -> None:
    """Every song has its own words: the first song's draft is the house recipe, the others say all that is theirs."""
    folders = [
        write(tmp_path / "one", 1, "{p}_{m}", dyn="ox", cond="elk", room="yak"),
        write(tmp_path / "two", 2, "{p}_{m}", dyn="fir", cond="oak", room="ash"),
        write(tmp_path / "three", 3, "{p}_{m}", dyn="tin", cond="zinc", room="lead"),
    ]
    assert saved(folders, tmp_path / "house.yaml") == 0
    for folder in folders:
        assert len(found_in(tmp_path / "house.yaml", folder)[1]) == 6


def merged(target: Any, patch: Any) -> Any:
    """JSON Merge Patch as the pseudo code of RFC 7396, section 2, has it."""
    if not isinstance(patch, dict):
        return patch
    result = dict(target) if isinstance(target, dict) else {}
    for name, value in patch.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = merged(result.get(name), value)
    return result


def entries(inner: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    """Mappings of few keys, so that two of them meet often."""
    return st.dictionaries(st.sampled_from("abc"), inner, max_size=3)


values = st.recursive(
    st.integers(0, 3) | st.lists(st.integers(0, 2), max_size=2), lambda inner: entries(inner), max_leaves=12
)


@given(entries(values), entries(values))
def test_what_a_song_changes_makes_its_draft_of_the_house_recipe(house: dict[str, Any], song: dict[str, Any]) -> None:
    """The change is a merge patch: laid over the house recipe, it gives the song's draft."""
    assert merged(house, change(house, song)) == song


def test_one_song_is_its_own_recipe(tmp_path: Path) -> None:
    """A single folder gives no song.yaml, and the text says what its proposal says."""
    proposal = proposed(write(tmp_path / "Undertow", 1, "{p}_{m}"))
    draft = drafted([proposal])
    assert draft == Drafted(draft.recipe) and document_of(proposal)["tracks"]["name"] in draft.recipe


def test_set_ups_of_several_songs_are_shared(tmp_path: Path) -> None:
    """A stereo room in every song stands once in the house recipe; a song with a mono one says so, and is found."""
    folders = []
    for seed, name in enumerate(("one", "two", "mono")):
        folder = write(tmp_path / name, seed, "{p}_{m}")
        folders.append(folder)
        for side in SIDES if name != "mono" else ():
            room = signals(seed)[side, "room"]
            other = in_room(signals(seed)[side, "dyn"], seed + 50, decay_s=0.5, arrival_ms=10.0)
            soundfile.write(folder / f"{side}_room.wav", np.stack([room, other], axis=1), RATE, "PCM_24")
    assert saved(folders, tmp_path / "house.yaml") == 0
    recipe, _ = found_in(tmp_path / "house.yaml", folders[0])
    assert {name: mic.channel for name, mic in recipe.mics.items() if mic.role == "room"} == {
        "room_left": "left", "room_right": "right"
    }  # fmt: skip
    assert [path.parent.name for path in tmp_path.glob("*/song.yaml")] == ["mono"]
    recipe, files = found_in(tmp_path / "house.yaml", folders[2])
    assert [name for name, mic in recipe.mics.items() if mic.role == "room"] == ["room"] and len(files) == 6
