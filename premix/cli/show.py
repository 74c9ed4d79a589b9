"""What people see: plain aligned tables, findings, and a progress bar on a terminal."""

import json
import sys
from collections.abc import Iterable, Sequence
from typing import Any

import click

from premix.model.finding import Finding
from premix.pipeline import Progress

_STYLE = {"error": "red", "warning": "yellow", "info": None}


def document(data: Any) -> None:
    """One JSON document on standard output, for programs."""
    click.echo(json.dumps(data, indent=1, ensure_ascii=False, sort_keys=False))


def say(text: str = "") -> None:
    """A line for people, on standard error."""
    click.echo(text, err=True)


def table(head: Sequence[str], rows: Iterable[Sequence[str]], indent: str = "  ") -> None:
    """A plain table for people: columns of text to the left, of numbers to the right."""
    cells = [list(head), *(list(row) for row in rows)]
    widths = [max(len(row[c]) for row in cells) for c in range(len(head))]
    right = [all(_is_number(row[c]) for row in cells[1:]) for c in range(len(head))]
    for number, row in enumerate(cells):
        line = "  ".join(
            cell.rjust(width) if flush else cell.ljust(width)
            for cell, width, flush in zip(row, widths, right, strict=True)
        )
        say(click.style(indent + line.rstrip(), dim=True) if number == 0 else indent + line.rstrip())


def findings(found: Iterable[Finding]) -> None:
    """One line a finding, the worst first."""
    order = {"error": 0, "warning": 1, "info": 2}
    for finding in sorted(found, key=lambda f: order[f.severity]):
        mark = click.style(finding.severity, fg=_STYLE[finding.severity])
        hint = f" ({finding.hint})" if finding.hint else ""
        say(f"  {mark}: {finding.subject}: {finding.message}{hint} [{finding.slug}]")


def _is_number(cell: str) -> bool:
    return cell in ("", "-") or cell.lstrip("+-").replace(".", "", 1).isdigit()


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
