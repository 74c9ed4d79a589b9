"""A picture: what is drawn, what it shows in words, and the same figures as a table.

It stands on the page as a part of it: no inline styles, no clashing ids, colours by name. The page's content security
policy forbids style attributes, so each becomes presentation attributes, which SVG 2 (chapter 6.6) defines for the same
properties. As SVG and PNG files it serves other uses. Both are the same bytes on every run.
"""

import html
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from premix.errors import DeliveryError, Problem
from premix.model.mix import MicPath, MixPlan, PerformancePlan, Rendered
from premix.model.song import Performance
from premix.report.drawing import COLOURS, png, style, svg

_FRAME = re.compile(r"<\?xml.*?\?>|<!DOCTYPE.*?>|<metadata>.*?</metadata>|<!--.*?-->|<style.*?</style>", re.DOTALL)
_STYLE = re.compile(r' style="([^"]*)"')
_ROOT = re.compile(r"<svg [^>]*>")
_VIEW = re.compile(r'viewBox="[^"]*"')
_FONT = re.compile(r"font-family: [^;]*(; )?")
_ID = re.compile(r'( id="|xlink:href="#|url\(#)')
_INKS = {pair[0]: f"var(--{name})" for name, pair in COLOURS.items()}
_INK = re.compile("|".join(_INKS))


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture of the page.

    name: file name without ending, unique. title: what it is. text: what is to be seen, for those who cannot see
    it. draw: makes the matplotlib figure, within `drawing.style`. head, rows: its figures as a table. apart: whether it
    is not like the others of its subject, and is looked at by itself.
    """

    name: str
    title: str
    text: str
    draw: Callable[[], Any]
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    apart: bool = False


def drawn(pictures: Iterable[Picture]) -> list[tuple[Picture, Any]]:
    """Every picture with its SVG element for the page, which is safe HTML."""
    from markupsafe import Markup

    with style():
        return [(picture, Markup(inline_svg(svg(picture.draw()), picture.name, picture.text))) for picture in pictures]


def in_figures(pictures: Iterable[Picture]) -> list[tuple[Picture, None]]:
    """Pictures of which the page has the words and the table only."""
    return [(picture, None) for picture in pictures]


def mixed_performances(rendered: Rendered) -> Iterator[tuple[Performance, PerformancePlan]]:
    """Every performance that is heard, and how it is mixed."""
    heard = [performance for performance in rendered.song.performances if performance.heard]
    return zip(heard, rendered.plan.performances, strict=True)


def bare_mix(plan: MixPlan, *, room_chains: bool = False) -> MixPlan:
    """The mix at unity, without chains (but for those of its room mics): for pictures of what comes before them."""

    def bare(paths: tuple[MicPath, ...]) -> tuple[MicPath, ...]:
        return tuple(replace(path, chain=()) for path in paths)

    performances = tuple(
        replace(p, gain=1.0, chain=(), close=bare(p.close), rooms=p.rooms if room_chains else bare(p.rooms))
        for p in plan.performances
    )
    buses = tuple(replace(bus, chain=()) for bus in plan.buses)
    guitar_bus = replace(plan.guitar_bus, chain=())
    return replace(plan, performances=performances, buses=buses, guitar_bus=guitar_bus, room_in_stem=False, trim=1.0)


def inline_svg(svg: str, name: str, text: str) -> str:
    """The SVG element of a picture as text for the page. name: makes its ids unique; text: what it shows."""
    body = _FRAME.sub("", svg).strip()
    view = _VIEW.search(body)
    root = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'{view[0] if view else ""} role="img" aria-label="{html.escape(text)}">'
    )
    body = _ROOT.sub(lambda _: root, body, count=1)
    body = _STYLE.sub(lambda match: _attributes(match[1]), body)
    body = _ID.sub(lambda match: f"{match[1]}{name}-", body)
    return _INK.sub(lambda match: _INKS[match[0]], body)


def _attributes(style: str) -> str:
    """'fill: none; stroke: #123456' -> ' fill="none" stroke="#123456"'; the font is the page's own."""
    parts = (part.split(":", 1) for part in _FONT.sub("", style).split(";") if ":" in part)
    return "".join(f' {key.strip()}="{value.strip()}"' for key, value in parts)


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
