"""What is wrong with a text that is no YAML, in our own words and with its place."""

import re
from typing import Any

from premix.recipe.faults import Fault, Mark

_WORDS: tuple[tuple[str, str, str], ...] = (
    (
        "mapping values are not allowed",
        "a ':' stands where no key can be",
        "indent keys of one level alike, and put a text that holds ': ' in quotes",
    ),
    ("cannot start any token", "the character {char} cannot begin a value", "put the value in quotes"),
    (
        "flow sequence",
        "the list opened by '[' {opened} does not end properly",
        "close it with ']', items parted by ','",
    ),
    (
        "flow mapping",
        "the mapping opened by '{{' {opened} does not end properly",
        "close it with '}', entries parted by ','",
    ),
    ("quoted scalar.*end of stream", "the quote opened {opened} is never closed", "close the quote"),
    ("escape", "double quotes hold an unknown escape (\\)", "use single quotes, or write \\\\"),
    (
        "block (collection|mapping|sequence)",
        "this line does not fit those above it",
        "indent keys of one level alike",
    ),
    ("expected ':'", "a key without ':'", "write 'key: value'"),
    ("directive", "a line that begins with '%' is no part of a recipe", "remove it"),
    ("tag", "the tag (!) cannot be read", "remove the tag, or put the text in quotes"),
    ("anchor|alias", "the anchor (&) or alias (*) cannot be read", "put the text in quotes"),
)


def syntax_fault(error: Exception, text: str, file: str) -> Fault:
    """The fault for what the YAML parser raised over `text`."""
    place = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    line, column = (place.line, place.column) if place else (0, 0)
    mark = Mark(file, line + 1, column + 1)
    lines = text.splitlines()
    row = lines[line] if line < len(lines) else ""
    if "\t" in row[: len(row) - len(row.lstrip())] or row[column : column + 1] == "\t":
        return Fault(mark, (), "recipe-tab", "a tab stands where spaces belong", remedy="indent with spaces")
    said = f"{getattr(error, 'context', '')} {getattr(error, 'problem', '')}"
    what, remedy = _words(said, row[column : column + 1], getattr(error, "context_mark", None))
    return Fault(mark, (), "recipe-yaml", what, remedy=remedy)


def _words(said: str, char: str, opened: Any) -> tuple[str, str]:
    for pattern, what, remedy in _WORDS:
        if re.search(pattern, said):
            where = f"in line {opened.line + 1}, column {opened.column + 1}" if opened else "before this"
            return what.format(char=f"'{char}'", opened=where), remedy
    return "this is no YAML", "check the line and the one above it"
