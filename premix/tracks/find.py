"""The name pattern of the tracks: which files fit a mic of a performance.

Finding the tracks: names of the recipe -> files of a folder, one for each, or all that is wrong.
"""

import difflib
import fnmatch
import re
from collections.abc import Iterable, Sequence
from pathlib import Path

from premix.errors import Problem, TracksError
from premix.messages import FROM_TABLE
from premix.model.finding import Finding
from premix.model.recipe import Recipe
from premix.model.tracks import FoundTrack
from premix.tracks.listing import ListedFile, fold, list_files

_PLACEHOLDER = re.compile(r"\{(performance|mic|song)\}")


class Pattern:
    """A folded pattern with the song filled in, asked for one performance and mic at a time."""

    def __init__(self, text: str, song: str) -> None:
        self.parts = _PLACEHOLDER.split(text)
        self.song = song
        extension = text.rpartition("/")[2].rpartition(".")[2]
        self.any_extension = "*" in extension or "?" in extension

    def spelled(self, performance: str, mic: str) -> str:
        """The pattern with its placeholders filled in, as a glob over folded names."""
        values = {"performance": performance, "mic": mic, "song": self.song}
        glob = [
            _literal(values[part]) if index % 2 else part.replace("[", "[[]") for index, part in enumerate(self.parts)
        ]
        return fold("".join(glob))

    def files(self, performances: Iterable[str], mics: Iterable[str], files: Iterable[ListedFile]) -> list[ListedFile]:
        """The files that fit any spelling of a performance and any of a mic."""
        globs = [self.spelled(performance, mic).split("/") for performance in performances for mic in mics]
        return [file for file in files if any(_fits(file.folded.split("/"), glob) for glob in globs)]


def _literal(text: str) -> str:
    """A glob that fits just this text."""
    return re.sub(r"([*?[])", r"[\1]", text)


def _fits(names: list[str], globs: list[str]) -> bool:
    """Whether each folder and the file name fit their part of the pattern; * and ? never cross a /.

    The standard library's translation takes linear time a `*`, however many stand in a pattern.
    """
    return len(names) == len(globs) and all(map(fnmatch.fnmatchcase, names, globs))


MOST_TOLD = 50
_MOST_NAMED = 8
_MOST_COMPARED = 500


def find_tracks(recipe: Recipe, folder: Path) -> tuple[tuple[FoundTrack, ...], tuple[Finding, ...]]:
    """The file of each mic of each performance, in recipe order, and a finding that names unused audio files.

    A missing mic that is optional is left out, and so is an optional performance of which nothing is there.
    Raises TracksError with every track that has no file, or several.
    """
    by_hand = [entry.file for p in recipe.performances.values() for entry in p.mics.values() if entry.file]
    files = list_files(folder, max(name.count("/") for name in (recipe.tracks.name, *by_hand)))
    pattern = Pattern(recipe.tracks.name, recipe.song or folder.resolve().name)
    audio = [file for file in files if file.is_audio]
    if not audio and not by_hand:
        raise _error("track-no-audio", str(folder), "no audio file is here")
    search = _Search(recipe, pattern, files)
    found = {pair: search.files(*pair) for pair in _pairs(recipe)}
    if not any(found.values()):
        raise _nothing_fits(recipe, folder, audio)
    present = {performance for (performance, _), files in found.items() if files}
    taken = {file.name for files in found.values() for file in files}
    free = [file for file in audio if file.name not in taken]
    problems = [problem for pair in found for problem in _problems(recipe, pair, found, present, free)]
    if problems:
        raise TracksError(_told(problems, folder))
    tracks = tuple(FoundTrack(*pair, files[0].path) for pair, files in found.items() if files)
    return tracks, _unused(tracks, audio, folder)


Pair = tuple[str, str]
Found = dict[Pair, list[ListedFile]]


def _pairs(recipe: Recipe) -> list[Pair]:
    return [(performance, mic) for performance in recipe.performances for mic in recipe.mics]


class _Search:
    """Looks files up by the recipe's names; files whose name lacks a spelling are left out early."""

    def __init__(self, recipe: Recipe, pattern: Pattern, files: Sequence[ListedFile]) -> None:
        self.recipe = recipe
        self.pattern = pattern
        self.by_name: dict[str, list[ListedFile]] = {}
        for file in files:
            self.by_name.setdefault(file.folded, []).append(file)
        fitting = [file for file in files if file.is_audio or not pattern.any_extension]
        self.performances = {
            name: self._holding("performance", (name, *entry.aliases), fitting)
            for name, entry in recipe.performances.items()
        }
        self.mics = {name: (name, *entry.aliases) for name, entry in recipe.mics.items()}

    def _holding(
        self, field: str, spellings: tuple[str, ...], files: Sequence[ListedFile]
    ) -> tuple[tuple[str, ...], list[ListedFile]]:
        if field not in self.pattern.parts[1::2]:
            return spellings, list(files)
        folded = [fold(spelling) for spelling in spellings]
        return spellings, [file for file in files if any(one in file.folded for one in folded)]

    def files(self, performance: str, mic: str) -> list[ListedFile]:
        """All files that fit one track."""
        exception = self.recipe.performances[performance].mics.get(mic)
        if exception is not None and exception.file is not None:
            return self.by_name.get(fold(exception.file), [])
        spellings, files = self.performances[performance]
        _, files = self._holding("mic", self.mics[mic], files)
        return self.pattern.files(spellings, self.mics[mic], files)


def _problems(recipe: Recipe, pair: Pair, found: Found, present: set[str], free: Sequence[ListedFile]) -> list[Problem]:
    performance, mic = pair
    files, where = found[pair], f"{performance}/{mic}"
    if len(files) > 1:
        what = f"{len(files)} files fit: {_named(files)}"
        return [Problem("track-ambiguous", where, what)]
    if files and not files[0].is_plain_text:
        what = f"the file name {files[0].name!a} holds characters that are no text"
        return [Problem("track-odd-name", where, what)]
    if files or (performance not in present and recipe.performances[performance].optional):
        return []
    if not recipe.mic_in(performance, mic).optional:
        wanted = _wanted(recipe, pair)
        return [Problem("track-not-found", where, f"no file fits '{wanted}'", remedy=_nearest(wanted, free))]
    if mic != recipe.reference_mic():
        return []
    what = "this mic is the reference, and this performance has no file of it"
    return [Problem("track-reference-missing", where, what)]


def _wanted(recipe: Recipe, pair: Pair) -> str:
    """The name that was looked for."""
    performance, mic = pair
    exception = recipe.performances[performance].mics.get(mic)
    if exception is not None and exception.file is not None:
        return exception.file
    text = recipe.tracks.name.replace("{performance}", performance).replace("{mic}", mic)
    return text.replace("{song}", recipe.song or "{song}")


def _nearest(wanted: str, free: Sequence[ListedFile]) -> str:
    """The free files whose names, extensions aside, are most like the wanted one, as a question."""
    names = {file.folded.rpartition(".")[0]: file.name for file in free[:_MOST_COMPARED]}
    close = difflib.get_close_matches(fold(wanted).rpartition(".")[0], names, n=2, cutoff=0.6)
    quoted = " or ".join(f"'{names[name]}'" for name in close)
    return f"did you mean {quoted}?" if quoted else FROM_TABLE


def _nothing_fits(recipe: Recipe, folder: Path, audio: Sequence[ListedFile]) -> TracksError:
    first = next(iter(_pairs(recipe)))
    what = f"no file fits '{recipe.tracks.name}' ('{_wanted(recipe, first)}', for example)"
    held = f"; the folder holds {_named(audio)}" if audio else ""
    return _error("track-no-name-fits", str(folder), what + held)


def _told(problems: list[Problem], folder: Path) -> list[Problem]:
    if len(problems) <= MOST_TOLD:
        return problems
    what = f"and {len(problems) - MOST_TOLD} more tracks are missing or ambiguous"
    more = Problem("track-more-problems", str(folder), what)
    return [*problems[:MOST_TOLD], more]


def _unused(tracks: Sequence[FoundTrack], audio: Sequence[ListedFile], folder: Path) -> tuple[Finding, ...]:
    used = {track.path for track in tracks}
    left = [file for file in audio if file.path not in used]
    if not left:
        return ()
    what = f"{len(left)} audio file{'s' if len(left) > 1 else ''} not used: {_named(left)}"
    return (Finding("track-unused-files", "info", folder.name or str(folder), what),)


def _named(files: Sequence[ListedFile]) -> str:
    names = [file.name if file.is_plain_text else ascii(file.name)[1:-1] for file in files[:_MOST_NAMED]]
    rest = len(files) - len(names)
    return ", ".join(names) + (f" and {rest} more" if rest else "")


def _error(slug: str, where: str, what: str) -> TracksError:
    return TracksError(Problem(slug, where, what))
