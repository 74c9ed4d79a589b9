"""Names of files: which no file may have, placeholders in templates, and the name patterns of tracks.

A pattern says how {performance}, {mic}, {song}, * and ? fit the name of a file below the tracks folder. Names are
compared folded: Unicode form NFC, case ignored. * and ? never cross a /. What stands for a placeholder counts
literally.
"""

import fnmatch
import re
import string
import unicodedata
from collections.abc import Iterable, Sequence

_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)
FIELDS = ("performance", "mic", "song")
"""Placeholders of a track's pattern."""
_FIELD = re.compile(rf"\{{({'|'.join(FIELDS)})\}}")
Glob = list[str]
"""A folded glob for each folder and for the file's name."""


def fold(text: str) -> str:
    """The text as names are compared: Unicode form NFC, case ignored."""
    return unicodedata.normalize("NFC", text.casefold())


def is_reserved(name: str) -> bool:
    """Whether Windows keeps a file name for a device (Microsoft, "Naming Files, Paths, and Namespaces")."""
    return _RESERVED.fullmatch(name) is not None


def placeholders(text: str) -> tuple[list[str], bool]:
    """The names in braces of any template, and whether the braces are broken."""
    try:
        parsed = [part for part in string.Formatter().parse(text) if part[1] is not None]
    except ValueError:
        return [], True
    broken = any(spec or conversion for _, _, spec, conversion in parsed) or "{{" in text or "}}" in text
    return [field for _, field, _, _ in parsed if field is not None], broken


class Pattern:
    """A pattern of names. song: what {song} stands for."""

    def __init__(self, text: str, song: str = "") -> None:
        self.parts: list[str] = _FIELD.split(text)
        self.song = song
        extension = text.rpartition("/")[2].rpartition(".")[2]
        self.any_extension = "*" in extension or "?" in extension

    def globs(self, performances: Iterable[str], mics: Iterable[str]) -> list[Glob]:
        """The pattern filled in with every spelling of a performance and every one of a mic."""
        return [self._filled(performance, mic).split("/") for performance in performances for mic in mics]

    def _filled(self, performance: str, mic: str) -> str:
        values = {"performance": performance, "mic": mic, "song": self.song}
        return fold(
            "".join(
                re.sub(r"([*?[])", r"[\1]", values[part]) if index % 2 else part.replace("[", "[[]")
                for index, part in enumerate(self.parts)
            )
        )


def fits(folded: str, globs: Sequence[Glob]) -> bool:
    """Whether a folded name fits one of the globs, folder by folder.

    The standard library's translation takes linear time a `*`, however many stand in a pattern.
    """
    names = folded.split("/")
    return any(len(names) == len(glob) and all(map(fnmatch.fnmatchcase, names, glob)) for glob in globs)


_NO_TEXT = re.compile("[\ud800-\udfff]")


def as_text(name: str) -> str:
    """A name as text that every document can hold: what is no UTF-8 in a file's name is shown as U+FFFD."""
    return name if name.isascii() else _NO_TEXT.sub("\ufffd", name)
