"""A picture: what is drawn, what it shows in words, and the same figures as a table."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from premix.model.run import FinishedRun
from premix.report.facts import written
from premix.report.window import Window


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture of the page.

    name: file name without ending, unique. title: what it is. text: what is to be seen, for those who cannot see
    it. draw: makes the matplotlib figure, within `drawing.style`. head, rows: its figures as a table.
    """

    name: str
    title: str
    text: str
    draw: Callable[[], Any]
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Material:
    """What pictures are made from. window: the stretch of the song that is shown."""

    run: FinishedRun
    window: Window


def db(value: float | None, digits: int = 1) -> str:
    """A figure in dB for a table, '–' where there is none."""
    return written(value, digits)
