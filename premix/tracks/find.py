"""Finding the tracks: names of the song -> files of a folder, one for each mic, or all that is wrong.

The folder is read as far down as the recipe's patterns reach, in bounded time.
"""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from premix.audio.headers import FORMATS
from premix.errors import Problem, TracksError, listed
from premix.messages import FROM_TABLE
from premix.model.names import Pattern, fits, fold
from premix.model.song import Mic, Performance, Song
from premix.model.tracks import FoundTrack, RollCall
from premix.tracks.roll_call import MOST_GUESSED, Free, near_misses, roll_call, wanted_name, wanted_names

MOST_FILES = 50_000
Identity = tuple[int, int] | None
_CODED = (".mp3", ".ogg", ".opus", ".m4a", ".aac", ".wma")
AUDIO_EXTENSIONS = frozenset((*_CODED, *(extension for entry in FORMATS for extension in entry.extensions)))
"""What a wildcard extension finds; the coded ones too, so that intake can say why it refuses them."""
MOST_TOLD = 50
_MOST_NAMED = 8


@dataclass(frozen=True, slots=True)
class ListedFile:
    """A file below the tracks folder. name: its path from there, with /; folded: that name as compared."""

    name: str
    folded: str
    path: Path

    @property
    def is_audio(self) -> bool:
        return self.path.suffix.lower() in AUDIO_EXTENSIONS

    @property
    def is_plain_text(self) -> bool:
        """Whether the name can stand in a report: decodable, no control characters or line breaks."""
        return self.name.isprintable()

    @property
    def shown(self) -> str:
        """The name as it may be told."""
        return self.name if self.is_plain_text else ascii(self.name)[1:-1]


def find_tracks(song: Song, folder: Path) -> tuple[tuple[FoundTrack, ...], RollCall]:
    """The file of each mic of each performance, in the song's order, and the roll-call.

    A missing mic that is optional is left out, and so is an optional performance of which nothing is there.
    Raises TracksError with every track that has no file, or several.
    """
    by_hand = [mic.file for mic in song.mics if mic.file]
    files = list_files(folder, max(name.count("/") for name in (song.track_pattern, *by_hand)))
    pattern = Pattern(song.track_pattern, song.name or folder.resolve().name)
    audio = [file for file in files if file.is_audio]
    if not audio and not by_hand:
        raise TracksError(Problem("track-no-audio", str(folder), "no audio file is here"))
    search = _Search(song, pattern, files)
    fitting = {
        mic.label: search.files(performance, mic) for performance in song.performances for mic in performance.mics
    }
    taken = {file.name for own in fitting.values() for file in own}
    if not taken:
        raise _nothing_fits(song, folder, audio)
    free = [Free(file.shown, file.folded.rpartition(".")[0]) for file in audio if file.name not in taken]
    problems = [*_problems(song, fitting, free)]
    if problems:
        raise TracksError(_told(problems, folder))
    tracks = tuple(FoundTrack(m.performance, m.name, fitting[m.label][0].path) for m in song.mics if fitting[m.label])
    found = len(taken | {file.name for file in audio})
    return tracks, roll_call(song, {track.label for track in tracks}, len(taken), found, free)


class _Search:
    """Looks files up by the song's names; files whose name lacks a spelling are left out early."""

    def __init__(self, song: Song, pattern: Pattern, files: Sequence[ListedFile]) -> None:
        self.pattern = pattern
        self.by_name: dict[str, list[ListedFile]] = {}
        for file in files:
            self.by_name.setdefault(file.folded, []).append(file)
        fitting = [file for file in files if file.is_audio or not pattern.any_extension]
        self.holding = {p.name: self._holding("performance", (p.name, *p.aliases), fitting) for p in song.performances}

    def _holding(self, field: str, spellings: Sequence[str], files: Sequence[ListedFile]) -> Sequence[ListedFile]:
        if field not in self.pattern.parts[1::2]:
            return files
        folded = [fold(spelling) for spelling in spellings]
        return [file for file in files if any(one in file.folded for one in folded)]

    def files(self, performance: Performance, mic: Mic) -> list[ListedFile]:
        """All files that fit one track."""
        if mic.file is not None:
            return self.by_name.get(fold(mic.file), [])
        mic_spellings = (mic.name, *mic.aliases)
        globs = self.pattern.globs((performance.name, *performance.aliases), mic_spellings)
        files = self._holding("mic", mic_spellings, self.holding[performance.name])
        return [file for file in files if fits(file.folded, globs)]


def _problems(song: Song, fitting: Mapping[str, Sequence[ListedFile]], free: Sequence[Free]) -> list[Problem]:
    """Everything that stops the run. Near misses are sought for the first of a thousand: comparing is slow."""
    problems: list[Problem] = []
    for performance in song.performances:
        missing = [mic for mic in performance.mics if not fitting[mic.label]]
        if len(missing) == len(performance.mics):
            if not performance.optional:
                problems.append(_no_performance(song, performance, missing, _some(free, problems)))
            continue
        for mic in performance.mics:
            problem = _problem(song, performance, mic, fitting[mic.label], _some(free, problems))
            problems += [] if problem is None else [problem]
    return problems


def _some(free: Sequence[Free], problems: Sequence[Problem]) -> Sequence[Free]:
    """The unused files, while few problems are known."""
    return free if len(problems) < MOST_GUESSED else ()


def _problem(
    song: Song, performance: Performance, mic: Mic, files: Sequence[ListedFile], free: Sequence[Free]
) -> Problem | None:
    if len(files) > 1:
        return Problem("track-ambiguous", mic.label, f"{len(files)} files fit: {_named(files)}")
    if files:
        what = f"the file name {files[0].name!a} holds characters that are no text"
        return None if files[0].is_plain_text else Problem("track-odd-name", mic.label, what)
    if not mic.optional:
        what = f"no file fits '{wanted_name(song, mic)}'"
        near = near_misses(song, performance, [mic], free)
        return Problem("track-not-found", mic.label, what, remedy=_meant(near) or FROM_TABLE)
    what = "this mic is the reference, and this performance has no file of it"
    return Problem("track-reference-missing", mic.label, what) if mic.name == performance.reference else None


def _no_performance(song: Song, performance: Performance, mics: Sequence[Mic], free: Sequence[Free]) -> Problem:
    """One line for all mics of a performance that is not there, with the one that lets it be missing."""
    count = f"none of its {len(mics)} files is here" if len(mics) > 1 else "its file is not here"
    what = f"{count}: no file fits '{wanted_names(song, performance, mics)}'"
    line = f"if it may be missing, write performances: {{{performance.name}: {{optional: true}}}}"
    meant = _meant(near_misses(song, performance, mics, free))
    return Problem("track-no-performance", performance.name, what, remedy=f"{meant}; {line}" if meant else line)


def _meant(near: Sequence[str]) -> str:
    """Near misses as a question; '' for none."""
    quoted = " or ".join(f"'{name}'" for name in near)
    return f"did you mean {quoted}?" if quoted else ""


def _nothing_fits(song: Song, folder: Path, audio: Sequence[ListedFile]) -> TracksError:
    what = f"no file fits '{song.track_pattern}' ('{wanted_name(song, song.mics[0])}', for example)"
    held = f"; the folder holds {_named(audio)}" if audio else ""
    return TracksError(Problem("track-no-name-fits", str(folder), what + held))


def _told(problems: list[Problem], folder: Path) -> list[Problem]:
    if len(problems) <= MOST_TOLD:
        return problems
    what = f"and {len(problems) - MOST_TOLD} more tracks or performances are missing or ambiguous"
    return [*problems[:MOST_TOLD], Problem("track-more-problems", str(folder), what)]


def _named(files: Sequence[ListedFile]) -> str:
    return listed((file.shown for file in files), _MOST_NAMED)


def list_files(folder: Path, depth: int) -> tuple[ListedFile, ...]:
    """All files of `folder` and `depth` levels of folders below it, sorted by name.

    Hidden files and folders, links that lead nowhere or back, and folders that an earlier run wrote are left
    out. Raises TracksError where the folder cannot be read or holds too many files.
    """
    found: list[ListedFile] = []
    seen = 0
    waiting: list[tuple[Path, str, tuple[Identity, ...]]] = [(folder, "", ())]
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
            raise TracksError(Problem("track-too-many-files", str(folder), f"it holds more than {MOST_FILES} files"))
    return tuple(sorted(found, key=lambda file: file.name))


def _entries(folder: Path, is_root: bool) -> list[os.DirEntry[str]]:
    """What stands in a folder, but for hidden entries; nothing where a folder below is unreadable."""
    try:
        with os.scandir(folder) as scan:
            return [entry for entry in scan if not entry.name.startswith(".")]
    except (OSError, ValueError) as error:
        if not is_root:
            return []
        reason = (getattr(error, "strerror", None) or "its name is not possible here").lower()
        raise TracksError(Problem("track-no-folder", str(folder), reason)) from None


def _is_file(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_file()
    except OSError:
        return False


def _is_way_down(entry: os.DirEntry[str], above: tuple[Identity, ...]) -> bool:
    """Whether this is a folder to look into: none of those above, by whatever link, and not written by a run."""
    try:
        return entry.is_dir() and _identity(Path(entry.path)) not in above and not _is_output(Path(entry.path))
    except OSError:
        return False


def _identity(folder: Path) -> Identity:
    """The same for every way to name one folder; None where it cannot be read."""
    try:
        status = folder.stat()
    except (OSError, ValueError):
        return None
    return status.st_dev, status.st_ino


def _is_output(folder: Path) -> bool:
    """Whether a run of premix wrote this folder: its manifest says so in its first lines."""
    try:
        path = folder / "manifest.json"
        if not path.is_file():
            return False
        with path.open("rb") as stream:
            return b'"premix"' in stream.read(4096)
    except OSError:
        return False
