"""Reading the text of a recipe, song file or sheet: one clear fault for everything that is no such text."""

import re
from pathlib import Path

from premix.recipe.faults import Fault, Faulty, Mark, nearest

LARGEST_BYTES = 1_000_000
_MOST_NEIGHBOURS = 2_000
_FORBIDDEN = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What YAML 1.2.2 (section 5.1) leaves out of its printable characters."""


def read_text(path: Path, shown: str, asked_at: Mark | None = None) -> str:
    """The UTF-8 text of `path`, called `shown` in messages. Raises Faulty.

    asked_at: where an `extends` names the file; that it is no readable file is told there.
    """
    try:
        if not path.is_file():
            path.stat()
            raise IsADirectoryError  # or a pipe, or a device: nothing to wait for
        with path.open("rb") as stream:
            data = stream.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:
        raise Faulty(_unreadable(path, shown, error, asked_at)) from None
    if len(data) > LARGEST_BYTES:
        largest = f"{LARGEST_BYTES // 1_000_000} MB"
        raise Faulty(Fault(Mark(shown, 0, 0), (), "recipe-too-large", "the file is too large", largest))
    return decode(data, shown)


def decode(data: bytes, shown: str) -> str:
    """The text of a YAML file's bytes. Raises Faulty where they are no UTF-8 text."""
    whole = Mark(shown, 0, 0)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or data[:16].count(0) in (8, 12):
        raise Faulty(
            Fault(whole, (), "recipe-not-utf8", "the text is UTF-16 or UTF-32", "UTF-8 text", "save it as UTF-8")
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start)
        column = error.start - (data.rfind(b"\n", 0, error.start) + 1)
        raise Faulty(
            Fault(
                Mark(shown, line + 1, column + 1),
                (),
                "recipe-not-utf8",
                "this is no UTF-8 text",
                "UTF-8 text",
                "save it as UTF-8",
            )
        ) from None
    check_characters(text, shown)
    return text


def check_characters(text: str, shown: str) -> None:
    """Raise Faulty at the first character that YAML forbids."""
    found = _FORBIDDEN.search(text)
    if found:
        before = text[: found.start()]
        place = Mark(shown, before.count("\n") + 1, found.start() - (before.rfind("\n") + 1) + 1)
        raise Faulty(
            Fault(
                place,
                (),
                "recipe-not-text",
                f"the character U+{ord(found.group()):04X} is no text",
                remedy="is this a text file? remove the character",
            )
        )


def _unreadable(path: Path, shown: str, error: Exception, asked_at: Mark | None) -> Fault:
    mark, key = (asked_at, ("extends",)) if asked_at else (Mark(shown, 0, 0), ())
    named = f" '{shown}'" if asked_at else ""
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        return Fault(mark, key, "recipe-no-file", f"there is no such file{named}", remedy=_neighbour(path))
    if isinstance(error, IsADirectoryError):
        return Fault(mark, key, "recipe-not-a-file", f"this is no file{named}", "a YAML file")
    reason = getattr(error, "strerror", None) or "its name is not possible here"
    return Fault(mark, key, "recipe-unreadable", f"the file{named} cannot be read: {reason.lower()}")


def _neighbour(path: Path) -> str:
    """The YAML file beside `path` with the most similar name, as a question; '' where none is."""
    names: list[str] = []
    try:
        for count, entry in enumerate(path.parent.iterdir()):
            if count >= _MOST_NEIGHBOURS:
                break
            if entry.suffix.lower() in (".yaml", ".yml"):
                names.append(entry.name)
    except OSError:
        return ""
    return nearest(path.name, names)
