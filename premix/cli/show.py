"""What people and programs see: lines, plain aligned tables, findings, a JSON document, a bar on a terminal.

People are told on standard error; standard output is for programs.
"""

import sys
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import Any

import click

from premix.delivery.documents import json_text
from premix.delivery.track_sheet import aligned
from premix.errors import Finding, one_line
from premix.model.mix import ChainFile
from premix.pipeline import Progress
from premix.report.page import missing_extra

_COLOURS = {"error": "red", "warning": "yellow", "info": None}
"""Severity -> its colour, the worst first."""


def document(data: Any) -> None:
    """One JSON document on standard output, for programs."""
    click.echo(json_text(data))


def say(text: str = "") -> None:
    """A line for people, on standard error; what a name holds beyond letters is escaped. Where nobody can be told, the
    work goes on."""
    with suppress(OSError):
        click.echo(one_line(text), err=True)


def figure(value: float | None, digits: int = 2, unknown: str = "-") -> str:
    """A figure as a cell of a table."""
    return unknown if value is None else f"{value:.{digits}f}"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A plain table for people: columns of text to the left, of numbers to the right."""
    cells = [head, *([one_line(cell) for cell in row] for row in rows)]
    title, *lines = aligned(cells, [all(map(_is_number, column[1:])) for column in zip(*cells, strict=True)])
    click.echo(click.style(f"  {title}", dim=True), err=True)
    for line in lines:
        say(f"  {line}")


def _is_number(cell: str) -> bool:
    return cell in ("", "-") or cell.lstrip("+-").replace(".", "", 1).isdigit()


def findings(found: Iterable[Finding]) -> None:
    """One line a finding, the worst first."""
    order = list(_COLOURS)
    for finding in sorted(found, key=lambda f: order.index(f.severity)):
        mark = click.style(finding.severity, fg=_COLOURS[finding.severity])
        hint = f" ({finding.hint})" if finding.hint else ""
        told = one_line(f"{finding.subject}: {finding.message}{hint} [{finding.slug}]")
        click.echo(f"  {mark}: {told}", err=True)


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
