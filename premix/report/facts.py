"""The page's figures: each is looked up in the manifest and marked with the place it came from."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from premix.measures.limits import CHECKS, judge
from premix.model.run import FinishedRun

NOTHING = "–"


def look_up(document: Any, *path: str | int) -> Any:
    """The value at a path into plain data. KeyError or IndexError where there is none: a page never guesses."""
    for step in path:
        document = document[step]
    return document


def written(value: float | None, digits: int, *, sign: bool = False) -> str:
    """A number with a true minus sign, never '-0.00'; '–' for None."""
    if value is None:
        return NOTHING
    text = f"{value:+.{digits}f}" if sign else f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("+-")
    return text.replace("-", "\N{MINUS SIGN}")


class Figures:
    """Writes figures of a manifest as HTML `data` elements: value as it is, its place, and rounded text."""

    def __init__(self, document: dict[str, Any]) -> None:
        self._document = document

    def number(
        self, *path: str | int, digits: int = 2, sign: bool = False, unit: str = "", length: bool = False
    ) -> Any:
        """The number at a path (with `length`, how many entries are there), '–' where it is None. Safe HTML."""
        from markupsafe import Markup

        value = look_up(self._document, *path)
        if value is None:
            return NOTHING
        value = len(value) if length else value
        text = written(float(value), 0 if length else digits, sign=sign)
        place = ".".join(str(step) for step in path)
        shown = f"{text}\N{NARROW NO-BREAK SPACE}{unit}" if unit else text
        return Markup('<data value="{}" data-from="{}">{}</data>').format(repr(value), place, shown)


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One limit of the recipe as it was held: what, allowed, the worst reading and whose, whether it holds."""

    what: str
    allowed: str
    measured: str
    subject: str
    holds: bool


def limit_rows(run: FinishedRun) -> list[LimitRow]:
    """Every limit that the recipe sets."""
    rows = []
    for check in CHECKS:
        limit = getattr(run.merged.recipe.limits, check.field)
        if limit is None:
            continue
        judged = judge(check, limit, check.readings(run.alignment, run.rendering))
        allowed = f"{check.allowed} {written(limit, 0 if isinstance(limit, int) else 2)} {check.unit}".rstrip()
        measured = "not measured"
        if judged.worst is not None:
            measured = f"{written(judged.worst, 0 if isinstance(limit, int) else 2)} {check.unit}".rstrip()
        rows.append(LimitRow(check.what, allowed, measured, judged.subject, judged.holds))
    return rows


def verdict(document: dict[str, Any], limits: list[LimitRow]) -> str:
    """The run in one sentence, the worst news first; the same words as in the terminal."""
    broken = sum(not row.holds for row in limits)
    warnings = sum(finding["severity"] != "info" for finding in document["findings"]) - broken
    done = f"{broken} limit{'s' * (broken != 1)} broken" if broken else "Done"
    if warnings:
        done += f", {warnings} finding{'s' * (warnings != 1)} to look at"
    return f"{done}: {len(document['files'])} files"


def flat(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """(dotted key, value as text) of nested data; a list is one value."""
    if isinstance(value, dict) and value:
        for key, child in value.items():
            yield from flat(child, f"{path}.{key}" if path else str(key))
    else:
        yield path, _plain(value)


def _plain(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {_plain(child)}" for key, child in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_plain(child) for child in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return "null" if value is None else str(value)
