"""Which songs a batch holds: folders, globs, list files and folders of folders become one song each."""

import errno
import glob
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from premix.delivery.documents import MANIFEST
from premix.errors import Problem, TracksError
from premix.model.names import as_text
from premix.model.song import Song
from premix.recipe.layers import SONG_FILE
from premix.tracks.find import find_tracks, list_files

_LARGEST_LIST = 10_000_000
_NOT_A_SONG = ("track-no-audio", "track-no-name-fits")


@dataclass(frozen=True, slots=True)
class SongFolder:
    """name: of the folder, and of the song's folder in OUT. folder: its tracks."""

    name: str
    folder: Path


def find_songs(arguments: Sequence[str], wanted: Song, out: Path) -> tuple[SongFolder, ...]:
    """The songs that the arguments stand for, in their order.

    An argument is a folder of tracks, a folder of such folders, a glob of either, or @FILE with one of these a
    line (relative to that file; empty lines and those that start with # are left out). out: never a song.
    Raises TracksError with every problem of every argument.
    """
    problems: list[Problem] = []
    listed = [line for text in arguments for line in _lines(text, problems)]
    folders = [folder for text in listed for folder in _folders(text, problems)]
    songs = tuple(
        SongFolder(as_text(f.resolve().name), f) for folder in folders for f in _songs_in(folder, wanted, out)
    )
    problems += [*_twice(songs), *_around(out, songs), *_named_like_ours(songs)]
    if not songs and not problems:
        problems.append(Problem("batch-no-song", " ".join(arguments) or "SONG", "no song is named"))
    if problems:
        raise TracksError(problems)
    return songs


def _lines(text: str, problems: list[Problem]) -> Iterator[str]:
    """The argument itself, or the lines of the list file that it names."""
    if not text.startswith("@"):
        yield text
        return
    path = Path(text[1:])
    try:
        if path.exists() and not path.is_file():
            raise OSError(errno.EINVAL, "it is no file")
        with path.open("rb") as stream:
            lines = stream.read(_LARGEST_LIST).decode("utf-8-sig").splitlines()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "this is no UTF-8 text"
        problems.append(Problem("batch-no-list", text, f"the list cannot be read: {reason.lower()}"))
        return
    for line in lines:
        if line.strip() and not line.lstrip().startswith("#"):
            yield os.fspath(path.parent / line.strip())


def _folders(text: str, problems: list[Problem]) -> list[Path]:
    """The folders that a path or a glob stands for, sorted by name."""
    if Path(text).is_dir():
        return [Path(text)]
    found = sorted(glob.glob(text)) if glob.has_magic(text) else []  # noqa: PTH207 (a path of any kind, not below one)
    folders = [Path(name) for name in found if Path(name).is_dir()]
    if not folders:
        what = "no folder fits" if glob.has_magic(text) else "it is a file" if Path(text).exists() else "no such folder"
        problems.append(Problem("batch-no-song", text, what))
    return folders


def _songs_in(folder: Path, wanted: Song, out: Path) -> list[Path]:
    """The folder itself, or the songs below it where it holds none of the recipe's tracks."""
    below = [] if (folder / SONG_FILE).exists() else _subfolders(folder)
    if not below or _has_tracks(folder, wanted):
        return [folder]
    depth = wanted.track_pattern.count("/")
    songs = [f for f in below if f.resolve() != out.resolve() and _looks_like_song(f, depth)]
    return songs or [folder]  # its own problem tells what is missing


def _subfolders(folder: Path) -> list[Path]:
    try:
        return sorted(f for f in folder.iterdir() if f.is_dir() and not f.name.startswith("."))
    except OSError:
        return []


def _has_tracks(folder: Path, wanted: Song) -> bool:
    """Whether any file fits the recipe's names; a stray reference mix beside the songs does not."""
    try:
        find_tracks(wanted, folder)
    except TracksError as error:
        return error.problems[0].slug not in _NOT_A_SONG
    return True


def _looks_like_song(folder: Path, depth: int) -> bool:
    """Whether there is audio at all, so that wrong names are told and not passed over; no earlier render."""
    if (folder / MANIFEST).exists():
        return False
    try:
        return (folder / SONG_FILE).exists() or any(file.is_audio for file in list_files(folder, depth))
    except TracksError:
        return True


def _twice(songs: Iterable[SongFolder]) -> Iterator[Problem]:
    """Folders that are there twice, by whatever path, and folders that would share one output folder."""
    folders: dict[Path, SongFolder] = {}
    names: dict[str, SongFolder] = {}
    for song in songs:
        first = folders.setdefault(song.folder.resolve(), song)
        if first is not song:
            yield Problem("batch-song-twice", str(song.folder), f"the same folder as {first.folder}")
            continue
        first = names.setdefault(song.name.casefold(), song)
        if first is not song:
            what = f"its output folder would be that of {first.folder}"
            yield Problem("batch-same-name", str(song.folder), what)


OURS = ("summary.json", "summary.csv", "index.html", ".noted")
"""What the batch itself puts into OUT, beside the songs' folders."""


def _named_like_ours(songs: Iterable[SongFolder]) -> Iterator[Problem]:
    for song in songs:
        if song.name.casefold() in OURS or song.name.startswith(".premix"):
            yield Problem("batch-reserved-name", str(song.folder), f"the batch itself writes a '{song.name}'")


def _around(out: Path, songs: Iterable[SongFolder]) -> Iterator[Problem]:
    place = out.resolve()
    for song in songs:
        folder = song.folder.resolve()
        if place == folder or place.is_relative_to(folder) or folder.is_relative_to(place):
            what = f"the output folder and {song.folder} lie in each other"
            yield Problem("batch-out-in-songs", str(out), what)
