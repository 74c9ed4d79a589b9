"""The files below a tracks folder, as far down as the recipe's patterns reach, in bounded time."""

import os
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from premix.audio.headers import FORMATS
from premix.errors import Problem, TracksError

MOST_FILES = 50_000
Identities = tuple[tuple[int, int] | None, ...]
_CODED = (".mp3", ".ogg", ".opus", ".m4a", ".aac", ".wma")
AUDIO_EXTENSIONS = frozenset((*_CODED, *(extension for entry in FORMATS for extension in entry.extensions)))
"""What a wildcard extension finds; the coded ones too, so that intake can say why it refuses them."""


@dataclass(frozen=True, slots=True)
class ListedFile:
    """A file below the tracks folder. name: its path from there, with /; folded: that name as compared."""

    name: str
    folded: str
    path: Path

    @property
    def is_audio(self) -> bool:
        """Whether the extension is one of an audio file."""
        return self.path.suffix.lower() in AUDIO_EXTENSIONS

    @property
    def is_plain_text(self) -> bool:
        """Whether the name can stand in a report: decodable, no control characters or line breaks."""
        return self.name.isprintable()


def fold(text: str) -> str:
    """The text as names are compared: Unicode form NFC, case ignored."""
    return unicodedata.normalize("NFC", text.casefold())


def list_files(folder: Path, depth: int) -> tuple[ListedFile, ...]:
    """All files of `folder` and `depth` levels of folders below it, sorted by name.

    Hidden files and folders, links that lead nowhere or back, and folders that an earlier run wrote are left
    out. Raises TracksError where the folder cannot be read or holds too many files.
    """
    found: list[ListedFile] = []
    seen = 0
    waiting: list[tuple[Path, str, Identities]] = [(folder, "", ())]
    while waiting:
        here, prefix, above = waiting.pop()
        above = (*above, _identity(here))
        for entry in _entries(here, is_root=not prefix):
            seen += 1
            name = prefix + entry.name
            if len(above) <= depth and _is_way_down(entry, above):
                waiting.append((Path(entry.path), f"{name}/", above))
            elif _is_file(entry):
                found.append(ListedFile(name, fold(name), Path(entry.path)))
        if seen > MOST_FILES:
            what = f"it holds more than {MOST_FILES} files"
            raise TracksError(Problem("track-too-many-files", str(folder), what))
    return tuple(sorted(found, key=lambda file: file.name))


def _entries(folder: Path, is_root: bool) -> list["os.DirEntry[str]"]:
    """What stands in a folder, but for hidden entries; nothing where a folder below is unreadable."""
    try:
        with os.scandir(folder) as scan:
            return [entry for entry in scan if not entry.name.startswith(".")]
    except (OSError, ValueError) as error:
        if not is_root:
            return []
        reason = (getattr(error, "strerror", None) or "its name is not possible here").lower()
        raise TracksError(Problem("track-no-folder", str(folder), reason)) from None


def _is_file(entry: "os.DirEntry[str]") -> bool:
    try:
        return entry.is_file()
    except OSError:
        return False


def _is_way_down(entry: "os.DirEntry[str]", above: Identities) -> bool:
    """Whether this is a folder to look into: none of those above, by whatever link, and not written by a run."""
    try:
        return entry.is_dir() and _identity(Path(entry.path)) not in above and not _is_output(Path(entry.path))
    except OSError:
        return False


def _identity(folder: Path) -> tuple[int, int] | None:
    """The same for every way to name one folder; None where it cannot be read."""
    try:
        status = folder.stat()
    except (OSError, ValueError):
        return None
    return status.st_dev, status.st_ino


def _is_output(folder: Path) -> bool:
    """Whether a run of premix wrote this folder: its manifest says so in its first lines."""
    try:
        with (folder / "manifest.json").open("rb") as stream:
            return b'"premix"' in stream.read(4096)
    except OSError:
        return False
