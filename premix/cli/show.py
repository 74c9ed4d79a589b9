"""What people and programs see: lines, plain aligned tables, findings, a JSON document, a bar on a terminal.

People are told on standard error; standard output is for programs.
"""

import math
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

import click

from premix.delivery.documents import json_text
from premix.delivery.track_sheet import aligned
from premix.errors import Finding, Severity, one_line
from premix.model.findings import FindingEntry
from premix.model.mix import ChainFile
from premix.pipeline import Progress
from premix.report.page import missing_extra

_COLOURS = {"error": "red", "warning": "yellow", "info": None}
"""Severity -> its colour, the worst first."""


def document(data: Any) -> None:
    """One JSON document on standard output, for programs."""
    click.echo(json_text(data))


def say(text: str = "") -> int:
    """A line for people, on standard error; what a name holds beyond letters is escaped. Where nobody can be told, the
    work goes on. Gives the terminal's rows that it takes."""
    with suppress(OSError):
        click.echo(one_line(text), err=True)
    return rows_of(one_line(text))


def figure(value: float | None, digits: int = 2, unknown: str = "-") -> str:
    """A figure as a cell of a table."""
    return unknown if value is None else f"{value:.{digits}f}"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> int:
    """A plain table for people: columns of text to the left, of numbers to the right. Gives the terminal's rows that it
    takes."""
    cells = [head, *([one_line(cell) for cell in row] for row in rows)]
    title, *lines = aligned(cells, [all(map(_is_number, column[1:])) for column in zip(*cells, strict=True)])
    click.echo(click.style(f"  {title}", dim=True), err=True)
    for line in lines:
        say(f"  {line}")
    return sum(rows_of(f"  {line}") for line in (title, *lines))


def _is_number(cell: str) -> bool:
    return cell in ("", "-") or cell.lstrip("+-").replace(".", "", 1).isdigit()


def findings(found: Iterable[Finding]) -> None:
    """One line a finding, the worst first."""
    order = list(_COLOURS)
    for finding in sorted(found, key=lambda f: order.index(f.severity)):
        hint = f" ({finding.hint})" if finding.hint else ""
        _told(finding.severity, f"{finding.subject}: {finding.message}{hint} [{finding.slug}]")


def _told(severity: Severity, text: str) -> None:
    click.echo(f"  {click.style(severity, fg=_COLOURS[severity])}: {one_line(text)}", err=True)


_SCREEN = os.terminal_size((120, 24))
"""Where people are told through a pipe or a log: columns, rows."""


def screen() -> os.terminal_size:
    """Columns and rows of the terminal that people are told on, a row left for its prompt."""
    size = _SCREEN
    with suppress(OSError, ValueError):
        size = os.get_terminal_size(2)
    return os.terminal_size((max(40, size.columns or 0), max(_SCREEN.lines, size.lines) - 1))


def rows_of(text: str) -> int:
    """How many rows of the terminal a line takes."""
    return max(1, math.ceil(len(text) / screen().columns))


def kinds(found: Sequence[FindingEntry], most_rows: int | None = None) -> None:
    """One line a kind, as they come: the costliest first, each with what to do.

    most_rows: of the terminal. Where they do not fit, all are cut to a row; what rows are left lengthen the first ones
    again. Where not even that fits, the last kinds are only named.
    """
    most = len(found) if most_rows is None or len(found) <= most_rows else max(1, most_rows - 1)
    whole = [f"{entry.line()} ({entry.hint})" if entry.hint else entry.line() for entry in found]
    rows = None if most_rows is None else most_rows - (most < len(found))
    lines = whole[:most] if rows is None else _fitting(found[:most], whole, rows)
    for entry, line in zip(found, lines, strict=False):
        _told(entry.severity, f"{line} [{entry.slug}]")
    if rest := [entry.slug for entry in found[most:]]:
        say(_cut(f"  and what costs less: {', '.join(rest)}", screen().columns))


def _fitting(found: Sequence[FindingEntry], whole: Sequence[str], most_rows: int) -> list[str]:
    """A line an entry, in all no more rows than that where a row each is allowed: the first ones longest."""
    room = [screen().columns - len(f"  {entry.severity}:  [{entry.slug}]") for entry in found]
    lines = [_cut(entry.line(), most) for entry, most in zip(found, room, strict=True)]
    left = most_rows - len(lines)
    for longer in ([entry.line() for entry in found], whole):
        for place, (line, most) in enumerate(zip(longer, room, strict=False)):
            spent = rows_of("." * (screen().columns - most) + one_line(line))
            spent -= rows_of("." * (screen().columns - most) + one_line(lines[place]))
            if spent <= left:
                lines[place], left = line, left - spent
    return lines


def _cut(text: str, most: int) -> str:
    """At most so many letters, but for a line of twenty."""
    most = max(20, most)
    return text if len(text) <= most else f"{text[: most - 3]}..."


def plug_ins(files: Iterable[ChainFile]) -> None:
    """One line a plug-in that took part, with the hash of its file: native code that was run."""
    for file in files:
        if file.is_plug_in:
            say(f"  plug-in: {file.name} at {file.where}, sha256 {file.sha256}")


def missing_page(no_report: bool) -> None:
    """Say so where pages are wanted and what makes them is not installed."""
    missing = missing_extra()
    findings([missing] if missing and not no_report else [])


class BarProgress(Progress):
    """A progress bar on standard error when that is a terminal; silent otherwise."""

    def __init__(self) -> None:
        self._bar: Any = None

    def begin(self, step: str, samples: int) -> None:
        self.end()
        if sys.stderr.isatty():
            self._bar = click.progressbar(
                length=samples, label=f"{step:<20}", file=sys.stderr, show_pos=False, fill_char="=", empty_char=" "
            )
            self._bar.__enter__()

    def advance(self, samples: int) -> None:
        if self._bar is not None:
            self._bar.update(samples)

    def end(self) -> None:
        """Finish the bar's line."""
        if self._bar is not None:
            self._bar.__exit__(None, None, None)
            self._bar = None


@contextmanager
def progress() -> Iterator[BarProgress]:
    """A progress whose line is finished however its work ends."""
    bar = BarProgress()
    try:
        yield bar
    finally:
        bar.end()
