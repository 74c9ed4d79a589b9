"""A picture: what is drawn, what it shows in words, and the same figures as a table.

Pictures on the page, and as SVG and PNG files for other uses; the same bytes on every run.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from premix.errors import DeliveryError, Problem
from premix.model.run import FinishedRun
from premix.report.drawing import png, style, svg
from premix.report.facts import written
from premix.report.html_page import inline_svg
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


@dataclass(frozen=True, slots=True)
class Shown:
    """A picture made ready for the page; svg is safe HTML."""

    name: str
    title: str
    text: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    svg: Any


def shown(picture: Picture) -> Shown:
    """Draw a picture for the page."""
    from markupsafe import Markup

    with style():
        text = inline_svg(svg(picture.draw()), picture.name, picture.text)
    return Shown(picture.name, picture.title, picture.text, picture.head, picture.rows, Markup(text))


def save_pictures(pictures: Iterable[Picture], folder: Path) -> None:
    """Write each picture as <name>.svg and <name>.png. Raises DeliveryError where they cannot be written."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for picture in pictures:
            with style(text_as_paths=True):
                figure = picture.draw()
                (folder / f"{picture.name}.svg").write_text(svg(figure), "utf-8", newline="\n")
                (folder / f"{picture.name}.png").write_bytes(png(figure))
    except OSError as error:
        slug, what = "report-pictures", f"pictures cannot be written ({error.strerror or error})"
        raise DeliveryError(Problem(slug, str(folder), what)) from None
