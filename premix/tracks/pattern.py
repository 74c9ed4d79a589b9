"""The name pattern of the tracks: which files fit a mic of a performance."""

import fnmatch
import re
from collections.abc import Iterable

from premix.tracks.listing import ListedFile, fold

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
