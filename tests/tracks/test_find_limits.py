"""Odd folders: missing, empty, huge, looped, unreadable, with odd names: one clear line each, in bounded time."""

import os
from pathlib import Path

import pytest

from premix.errors import TracksError
from premix.messages import STAGES
from premix.tracks import find
from premix.tracks.find import find_tracks
from tests.rigs.songs import Settings

from .test_find_tracks import ONE, PLAIN, found, told, touch, wanted


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("gone", "FOLDER/gone: no such file or directory; Check the path"),
        ("file.wav", "FOLDER/file.wav: not a directory; Check the path"),
        ("x" * 5000, "file name too long; Check the path"),
        ("a\0b", "its name is not possible here; Check the path"),
    ],
)
def test_a_folder_that_is_none_is_one_line(tmp_path: Path, name: str, expected: str) -> None:
    """Missing, a file, or a name that no system holds."""
    touch(tmp_path, "file.wav")
    with pytest.raises(TracksError) as caught:
        find_tracks(wanted(), tmp_path / name)
    (problem,) = caught.value.problems
    assert expected in problem.line().replace(str(tmp_path), "FOLDER")
    assert problem.slug == "track-no-folder"


def test_a_folder_without_audio_is_one_line(tmp_path: Path) -> None:
    """Not one line a track."""
    touch(tmp_path, "notes.txt", "below/left_dynamic.wav")
    (line,) = told(wanted(), tmp_path)
    assert line.startswith("FOLDER: no audio file is here; Name the folder that holds the tracks")


def test_a_pattern_that_fits_nothing_is_one_line(tmp_path: Path) -> None:
    """It shows what was looked for and what is there."""
    touch(tmp_path, "GTR L1.wav", "GTR L2.wav")
    (line,) = told(wanted(), tmp_path)
    assert line.startswith(
        "FOLDER: no file fits '{performance}_{mic}.*' ('left_dynamic.*', for example); the folder holds GTR L1.wav,"
    )


def test_a_pattern_that_fits_everything_lists_candidates(tmp_path: Path) -> None:
    """One mic of one performance needs no placeholder, and a star fits all files."""
    touch(tmp_path, *(f"{n:03}.wav" for n in range(300)))
    (line,) = told(wanted("*", **ONE), tmp_path)
    assert line.startswith("left/dynamic: 300 files fit: 000.wav, 001.wav")
    assert "and 292 more" in line


def test_stars_without_end_take_no_time(tmp_path: Path) -> None:
    """A pattern of many stars over long names would take a backtracking matcher longer than the test run."""
    touch(tmp_path, "a" * 200 + "b.wav", "left_dynamic.wav")
    assert "[track-no-name-fits]" in told(wanted("*a" * 60 + "{performance}{mic}.wav", **ONE), tmp_path)[0]
    assert len(found(wanted("*a" * 60 + "*.wav", **ONE), tmp_path)) == 1


def test_five_thousand_files_and_many_mics(tmp_path: Path) -> None:
    """A whole archive in one folder: the right files are found, the rest is counted."""
    mics: Settings = {f"mic{n}": {} for n in range(12)}
    sides = tuple(f"take{n}" for n in range(12))
    touch(tmp_path, *(f"take{p}_mic{m}.wav" for p in range(72) for m in range(70)))
    tracks, roll = find_tracks(wanted(mics=mics, performances=sides), tmp_path)
    assert len(tracks) == roll.used == 144
    assert len(roll.unused) == roll.found - 144 == 72 * 70 - 144
    assert len(roll.line()) < 400


def test_ten_thousand_missing_tracks_are_cut_short(tmp_path: Path) -> None:
    """A wrong folder for a large recipe gives a page, not a book."""
    mics: Settings = {f"mic{n}": {} for n in range(64)}
    sides = tuple(f"take{n}" for n in range(160))
    touch(tmp_path, "take0_mic0.wav")
    lines = told(wanted(mics=mics, performances=sides), tmp_path)
    assert len(lines) == 51
    assert lines[-1].startswith(f"FOLDER: and {63 + 159 - 50} more tracks or performances are missing or ambiguous")


def test_links_that_lead_back_or_nowhere_are_left_out(tmp_path: Path) -> None:
    """A folder that holds itself, two that hold each other, and a link to nothing."""
    touch(tmp_path, "left/dynamic.wav")
    (tmp_path / "left" / "loop").symlink_to(tmp_path)
    (tmp_path / "again").symlink_to(tmp_path / "left")
    (tmp_path / "gone").symlink_to(tmp_path / "nothing")
    (tmp_path / "left" / "self.wav").symlink_to(tmp_path / "left" / "self.wav")
    assert found(wanted("{performance}/{mic}.wav", **ONE), tmp_path) == {"left/dynamic": "left/dynamic.wav"}
    assert "[track-no-name-fits]" in told(wanted("*/*/{performance}/{mic}.wav", **ONE), tmp_path)[0]


def test_a_linked_file_is_a_file(tmp_path: Path) -> None:
    """Tracks may be links to where the recordings are."""
    touch(tmp_path / "disk", "take 7.wav")
    (tmp_path / "song").mkdir()
    (tmp_path / "song" / "left_dynamic.wav").symlink_to(tmp_path / "disk" / "take 7.wav")
    assert len(found(wanted(**ONE), tmp_path / "song")) == 1


def test_hidden_files_and_outputs_are_left_out(tmp_path: Path) -> None:
    """Files of the system, and stems that an earlier run put below the tracks."""
    touch(tmp_path, *PLAIN, "._left_dynamic.wav", ".x/left_dynamic.wav")
    touch(tmp_path, "out/left_dynamic.wav", "other/left_dynamic.wav")
    (tmp_path / "out" / "manifest.json").write_text('{"premix": "1.0", "files": []}')
    (tmp_path / "other" / "manifest.json").write_text('{"name": "something else"}')
    _, roll = find_tracks(wanted(), tmp_path)
    assert (roll.used, roll.found) == (4, 4)
    assert found(wanted("*/{performance}_{mic}.wav", **ONE), tmp_path) == {"left/dynamic": "other/left_dynamic.wav"}


def test_pipes_and_folders_with_audio_names_are_no_tracks(tmp_path: Path) -> None:
    """Opening a pipe would wait for ever."""
    touch(tmp_path, "other.wav", "left_dynamic.wav/x")
    os.mkfifo(tmp_path / "left_dynamic.flac")
    assert "[track-no-name-fits]" in told(wanted(**ONE), tmp_path)[0]


@pytest.mark.parametrize("name", [b"left_\ndynamic.wav", b"left_\xffdynamic.wav", b"left_\x1b[31mdynamic.wav"])
def test_an_odd_file_name_is_told_and_shown_harmlessly(tmp_path: Path, name: bytes) -> None:
    """Line breaks, bytes that are no text, escape sequences: refused as a track, escaped as an unused file."""
    (tmp_path / os.fsdecode(name)).touch()
    (line,) = told(wanted("{performance}*{mic}.wav", **ONE), tmp_path)
    assert line.startswith("left/dynamic: the file name 'left_\\") and line.isprintable()
    touch(tmp_path, "left-dynamic.wav")
    _, roll = find_tracks(wanted("{performance}-{mic}.wav", **ONE), tmp_path)
    assert len(roll.unused) == 1 and roll.line().isprintable()


def test_an_unreadable_folder_below_is_passed_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its tracks are then missing, which is told; the folder itself is no reason to stop."""
    touch(tmp_path, "left/dynamic.wav", "right/dynamic.wav")
    scandir = os.scandir

    def refuse(path: Path) -> object:
        if Path(path).name == "right":
            raise PermissionError(13, "Permission denied")
        return scandir(path)

    monkeypatch.setattr(os, "scandir", refuse)
    lines = told(wanted("{performance}/{mic}.wav", mics={"dynamic": {}}), tmp_path)
    assert lines[0].startswith("right: its file is not here: no file fits 'right/dynamic.wav'")


def test_a_disk_full_of_files_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stopped at the budget, which is lowered here."""
    monkeypatch.setattr(find, "MOST_FILES", 50)
    touch(tmp_path, *(f"{n}.wav" for n in range(60)))
    (line,) = told(wanted(), tmp_path)
    assert line.startswith("FOLDER: it holds more than 50 files; Name the song's own folder")


def test_every_message_of_this_room_is_given_by_its_code() -> None:
    """Slugs in the list and slugs in the code are the same."""
    source = "".join(path.read_text() for path in Path(find.__file__).parent.glob("*.py"))
    assert [slug for slug in STAGES["track names"] if f'"{slug}"' not in source] == []
