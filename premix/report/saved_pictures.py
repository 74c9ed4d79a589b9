"""Pictures on the page, and as SVG and PNG files for other uses; the same bytes on every run."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from premix.errors import DeliveryError, Problem
from premix.messages.report import SLUGS
from premix.report.drawing import png, style, svg
from premix.report.figures.picture import Picture
from premix.report.inline_svg import inline_svg


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
        raise DeliveryError(Problem(slug, str(folder), what, remedy=SLUGS[slug])) from None
