"""Names: what a song, a delivered file and the pattern of the tracks may be called on every system."""

import re
import string
from collections.abc import Iterator

FORBIDDEN = '<>:"/\\|?*'
"""Characters that a file name cannot hold on one system or another."""
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", re.IGNORECASE)

Judged = Iterator[tuple[str, str]]
"""(what is wrong, what is allowed)"""


def song_name(text: str) -> Judged:
    """What is wrong with a song's name, which becomes part of file names."""
    yield from _unsafe(text, "the song's name")
    if text.startswith("."):
        yield "the song's name begins with a dot", "a name that begins with a letter or digit"


def delivery_name(text: str) -> Judged:
    """What is wrong with the template of the delivered files' names."""
    fields, broken = placeholders(text)
    if broken:
        yield "a brace without its partner", "{song} and {part}"
        return
    unknown = [field for field in fields if field not in ("song", "part")]
    if unknown:
        yield f"unknown placeholder '{{{unknown[0]}}}'", "{song} and {part}"
    if "part" not in fields:
        yield "without {part} all files would have the same name", "a name with {part} in it"
    yield from _unsafe(text.replace("{song}", "s").replace("{part}", "p"), "the file name")


def track_pattern(text: str, performances: int, mics: int) -> Judged:
    """What is wrong with the pattern of the tracks, given how many performances and mics it tells apart."""
    fields, broken = placeholders(text)
    known = "{performance}, {mic}, {song}, * and ?"
    if broken:
        yield "a brace without its partner", known
        return
    unknown = [field for field in fields if field not in ("performance", "mic", "song")]
    if unknown:
        yield f"unknown placeholder '{{{unknown[0]}}}'", known
    if performances > 1 and "performance" not in fields:
        yield (
            "without {performance} the performances cannot be told apart",
            "a pattern with {performance} in it",
        )
    if mics > 1 and "mic" not in fields:
        yield "without {mic} the mics cannot be told apart", "a pattern with {mic} in it"
    yield from track_file(text)


def track_file(text: str) -> Judged:
    """What is wrong with a track's path, which must stay below the tracks folder."""
    if "\\" in text:
        yield "a backslash stands in the path", "/ between folders"
    elif text.startswith("/") or ".." in text.split("/") or re.match(r"[A-Za-z]:", text):
        yield "the path leads out of the tracks folder", "a path below that folder"


def placeholders(text: str) -> tuple[list[str], bool]:
    """The names in braces, and whether the braces are broken."""
    try:
        parsed = list(string.Formatter().parse(text))
    except ValueError:
        return [], True
    fields = [field for _, field, _, _ in parsed if field is not None]
    broken = any(spec or conversion for _, field, spec, conversion in parsed if field is not None)
    return fields, broken or "{{" in text or "}}" in text


def _unsafe(text: str, called: str) -> Judged:
    found = next((char for char in text if char in FORBIDDEN or not char.isprintable()), None)
    if found:
        yield f"{called} holds {found!r}", f"no control characters and none of {' '.join(FORBIDDEN)}"
    if text != text.strip() or text.endswith("."):
        yield f"{called} begins or ends with a space or ends with a dot", "a name without them"
    if _RESERVED.fullmatch(text):
        yield f"{called} is reserved on some systems", "another name"
