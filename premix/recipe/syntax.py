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
    (
        "sequence entries are not allowed",
        "a '-' stands where no list can begin",
        "begin the list on its own line",
    ),
    ("cannot start any token", "the character {char} cannot begin a value", "put the value in quotes"),
    (
        "expected (the )?node content",
        "a value is missing before {char}",
        "write the value, or close the bracket before it",
    ),
    (
        "flow sequence",
        "the list opened {opened} does not end properly",
        "part items by ',' and close it with ']'",
    ),
    (
        "flow mapping",
        "the mapping opened {opened} does not end properly",
        "part keys by ',', close it with '}}'",
    ),
    ("quoted scalar.*end of stream", "the quote opened {opened} is never closed", "close the quote"),
    ("quoted scalar", "double quotes hold an unknown escape (\\)", "use single quotes, or write \\\\"),
    ("block scalar", "a text after '|' or '>' begins on the next line", "begin a new line, or use quotes"),
    (
        "parsing a block",
        "this does not fit what stands before it",
        "indent keys of one level alike, and put a text with special characters in quotes as a whole",
    ),
    ("expected ':'", "a key without ':'", "write 'key: value'"),
    ("directive|incompatible", "a line that begins with '%' is no part of a recipe", "remove it"),
    ("tag", "a tag (!) cannot be read", "remove the tag, or put the text in quotes"),
    ("anchor|alias", "the name after '&' or '*' cannot be read", "put the text in quotes"),
)


def syntax_fault(error: Exception, text: str, file: str) -> Fault:
    """The fault for what the YAML parser raised over `text`."""
    place = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    line, column = (place.line, place.column) if place else (0, 0)
    mark = Mark(file, line + 1, column + 1)
    said = f"{getattr(error, 'context', '')} {getattr(error, 'problem', '')}"
    if "nesting" in said or isinstance(error, RecursionError):
        return Fault(mark, (), "recipe-too-deep", "values are nested too deeply")
    lines = text.splitlines()
    row = lines[line] if line < len(lines) else ""
    if "\t" in row[: len(row) - len(row.lstrip())] or row[column : column + 1] == "\t":
        return Fault(mark, (), "recipe-tab", "a tab stands where spaces belong", remedy="indent with spaces")
    what, remedy = _words(said, row[column : column + 1], getattr(error, "context_mark", None))
    return Fault(mark, (), "recipe-yaml", what, remedy=remedy)


def _words(said: str, char: str, opened: Any) -> tuple[str, str]:
    names = {
        "char": f"'{char}'" if char else "the end",
        "opened": f"in line {opened.line + 1}, column {opened.column + 1}" if opened else "before this",
    }
    for pattern, what, remedy in _WORDS:
        if re.search(pattern, said):
            return what.format(**names), remedy.format(**names)
    return "this is no YAML", "check this line and the one above it"
