"""Which songs the arguments of a batch stand for."""

from pathlib import Path

import pytest

from premix.batch.songs import find_songs
from premix.errors import TracksError
from premix.model.song import Song
from tests.batch.sessions import write_names
from tests.rigs.songs import recipe_of, song_from

NAMES = ("left_dynamic.wav", "right_dynamic.wav")


def wanted(name: str = "{performance}_{mic}.*") -> Song:
    return song_from(recipe_of({"dynamic": {}}, ("left", "right"), tracks={"name": name}))


def names(arguments: list[str], out: Path, name: str = "{performance}_{mic}.*") -> list[str]:
    return [song.name for song in find_songs(arguments, wanted(name), out)]


def slugs(arguments: list[str], out: Path) -> list[str]:
    with pytest.raises(TracksError) as caught:
        find_songs(arguments, wanted(), out)
    return [problem.slug for problem in caught.value.problems]


def test_folders_keep_the_order_they_are_given_in(tmp_path: Path) -> None:
    """Each folder of tracks is one song."""
    songs = [str(write_names(tmp_path / name, *NAMES)) for name in ("two", "one")]
    assert names(songs, tmp_path / "out") == ["two", "one"]


def test_a_glob_stands_for_folders_only(tmp_path: Path) -> None:
    """A file that fits the glob is passed over."""
    for name in ("b", "a"):
        write_names(tmp_path / name, *NAMES)
    (tmp_path / "rough mix.wav").touch()
    assert names([str(tmp_path / "*")], tmp_path / "out") == ["a", "b"]


def test_a_folder_of_folders_expands_beside_reference_mixes_and_art(tmp_path: Path) -> None:
    """Folders without audio, hidden ones, earlier renders and OUT itself are no songs; wrong names are."""
    for name in ("b", "a", ".trash"):
        write_names(tmp_path / "album" / name, *NAMES)
    write_names(tmp_path / "album", "rough mix.wav", "art/cover.png", "misnamed/one.wav")
    write_names(tmp_path / "album" / "done", "manifest.json", "done_guitars.wav")
    out = write_names(tmp_path / "album" / "out", "guitars.wav")
    assert names([str(tmp_path / "album")], out) == ["a", "b", "misnamed"]


def test_tracks_in_subfolders_are_one_song(tmp_path: Path) -> None:
    """Where the recipe looks into subfolders, a song's own subfolders are no songs."""
    for song in ("a", "b"):
        write_names(tmp_path / song, "left/dynamic.wav", "right/dynamic.wav")
    assert names([str(tmp_path / "a")], tmp_path / "out", "{performance}/{mic}.*") == ["a"]
    assert names([str(tmp_path)], tmp_path.parent / "out", "{performance}/{mic}.*") == ["a", "b"]


def test_a_song_file_makes_a_song(tmp_path: Path) -> None:
    """A folder with a song.yaml never expands: its own faults are told."""
    write_names(tmp_path / "song", "song.yaml", "takes/left_dynamic.wav")
    assert names([str(tmp_path / "song")], tmp_path / "out") == ["song"]


def test_a_list_file_holds_one_entry_a_line(tmp_path: Path) -> None:
    """Entries are relative to the list; comments and empty lines are left out; '#' inside a name stays."""
    for name in ("one", "no #2", "x1", "x2"):
        write_names(tmp_path / name, *NAMES)
    (tmp_path / "album.txt").write_text("# side A\none\n\n  no #2\nx*\n", "utf-8")
    assert names([f"@{tmp_path / 'album.txt'}"], tmp_path / "out") == ["one", "no #2", "x1", "x2"]


def test_all_problems_are_told_at_once(tmp_path: Path) -> None:
    """Missing folders, files in their place, empty globs and missing lists, each with its own line."""
    (tmp_path / "file.wav").touch()
    arguments = [str(tmp_path / "gone"), str(tmp_path / "file.wav"), str(tmp_path / "x*"), "@no list"]
    assert slugs(arguments, tmp_path / "out") == ["batch-no-list", *["batch-no-song"] * 3]


def test_the_same_folder_twice_is_refused_whatever_path_leads_there(tmp_path: Path) -> None:
    """By name, by a link, and by a folder of folders that holds it."""
    song = write_names(tmp_path / "album" / "song", *NAMES)
    (tmp_path / "link").symlink_to(song)
    for other in (song, tmp_path / "link", tmp_path / "album"):
        assert slugs([str(song), str(other)], tmp_path / "out") == ["batch-song-twice"]


def test_two_songs_never_share_an_output_folder(tmp_path: Path) -> None:
    """Same names of different folders, also where only the case differs."""
    songs = [str(write_names(tmp_path / side / name, *NAMES)) for side, name in (("a", "Song"), ("b", "song"))]
    assert slugs(songs, tmp_path / "out") == ["batch-same-name"]


def test_out_stays_out_of_the_songs(tmp_path: Path) -> None:
    """OUT in a song, a song in OUT, and OUT as a song."""
    song = write_names(tmp_path / "in" / "song", *NAMES)
    for out in (song, song / "out", tmp_path / "in"):
        assert slugs([str(song)], out) == ["batch-out-in-songs"]
