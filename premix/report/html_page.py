"""One self-contained HTML file: its template, style and script, a policy that lets nothing else in or out, and figures
that are looked up in a manifest and marked with the place they came from.
"""

import base64
import dataclasses
import hashlib
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from premix.audio.writer import storage_error
from premix.measures.drift import Drift
from premix.model.manifest import ComparisonManifest, Manifest
from premix.report.drawing import NOTHING, style_variables, written
from premix.report.listening import Listening

MOST_BYTES = 12_000_000
"""A page stays below 12 MB: it opens at once and fits into a mail."""
_FOLDER = Path(__file__).parent / "templates"
_SCRIPTS = ("player.js", "time_line.js", "page.js")
"""In this order, as one: what they define, then what begins it all."""


@dataclasses.dataclass(frozen=True, slots=True)
class Page:
    """A page before it is known what can be heard on it.

    template: in this room. document: the manifest that its figures are looked up in. facts: what else the template
    needs. scripts, styles: files of this room, one after the other.
    """

    template: str
    document: Manifest | ComparisonManifest | Drift | dict[str, Any] | None
    rate: int
    facts: dict[str, Any]
    scripts: tuple[str, ...] = _SCRIPTS
    styles: tuple[str, ...] = ("page.css",)

    def size(self, **more: Any) -> int:
        """Bytes of the page without anything to hear."""
        return sum(len(piece.encode()) for piece in self._pieces(Listening((), (), 0.0, 0.0), more))

    def text(self, listening: Listening, **more: Any) -> str:
        """The page in one piece."""
        return "".join(self._pieces(listening, more))

    def write(self, path: Path, listening: Listening, **more: Any) -> None:
        """Write the page. Raises DeliveryError where that cannot be done."""
        try:
            with path.open("w", encoding="utf-8", errors="backslashreplace", newline="\n") as file:
                file.writelines(self._pieces(listening, more))
        except OSError as error:
            raise storage_error(path, error) from None

    def _pieces(self, listening: Listening, more: dict[str, Any]) -> Iterator[str]:
        """Piece by piece, so that no second copy of its clips is made."""
        from markupsafe import Markup

        environment = _environment()
        css = "".join(map(_text, self.styles))
        css = css.replace("@LIGHT@", style_variables(False)).replace("@DARK@", style_variables(True))
        script = "\n".join(map(_text, self.scripts))
        pieces: Iterator[str] = environment.get_template(self.template).generate(
            css=Markup(css),
            script=Markup(script),
            policy=_policy(css, script),
            listening=listening,
            played=script_safe(_played(listening, self.rate)),
            base64=lambda data: Markup(base64.b64encode(data).decode()),
            m=self.document,
            n=Figures(self.document).number,
            **self.facts,
            **more,
        )
        return pieces


def _environment() -> Any:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["decimal"] = written
    return environment


def look_up(document: Any, *path: str | int) -> Any:
    """The value at a path into records, dicts and tuples. Raises where there is none: a page never guesses."""
    for step in path:
        is_field = isinstance(step, str) and not isinstance(document, dict)
        document = getattr(document, str(step)) if is_field else document[step]
    return document


class Figures:
    """Writes figures of a manifest as HTML `data` elements: value as it is, its place, and rounded text."""

    def __init__(self, document: Manifest | ComparisonManifest | Drift | dict[str, Any] | None) -> None:
        self._document = document

    def number(
        self, *path: str | int, digits: int = 2, sign: bool = False, unit: str = "", length: bool = False
    ) -> Any:
        """The number at a path (with `length`, how many entries are there), '–' where there is none. Safe HTML."""
        from markupsafe import Markup

        value = look_up(self._document, *path)
        value = value.item() if isinstance(value, np.generic) else value
        if value is None or (isinstance(value, float) and not math.isfinite(value)):  # null in the manifest
            return NOTHING
        value = len(value) if length else value
        text = written(float(value), 0 if length else digits, sign=sign)
        place = ".".join(str(step) for step in path)
        shown = f"{text}\N{NARROW NO-BREAK SPACE}{unit}" if unit else text
        return Markup('<data value="{}" data-from="{}">{}</data>').format(repr(value), place, shown)


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


def _text(name: str) -> str:
    return (_FOLDER / name).read_text("utf-8")


def _policy(css: str, script: str) -> str:
    """A content security policy (CSP level 3) that allows this style and this script, by their hashes, and nothing
    else: no request can leave the page."""
    style_hash, script_hash = (base64.b64encode(hashlib.sha256(t.encode()).digest()).decode() for t in (css, script))
    return (
        f"default-src 'none'; style-src 'sha256-{style_hash}'; script-src 'sha256-{script_hash}'; base-uri 'none'; "
        "form-action 'none'"
    )


def _played(listening: Listening, rate: int) -> dict[str, Any]:
    """What the player needs to know: gains are linear, and undo the scale of each clip."""
    scales = {clip.name: clip.scale for clip in listening.clips}
    return {
        "rate": rate,
        "start": listening.start_s,
        "seconds": listening.end_s - listening.start_s,
        "players": [
            {
                "name": player.name,
                "versions": [
                    {
                        "name": version.name,
                        "match_db": version.match_db,
                        "voices": [[v.clip, v.left / scales[v.clip], v.right / scales[v.clip]] for v in version.voices],
                    }
                    for version in player.versions
                ],
            }
            for player in listening.players
        ],
    }


def script_safe(data: Any) -> Any:
    """JSON that cannot end the script element it stands in; safe HTML."""
    from markupsafe import Markup

    text = json.dumps(data, ensure_ascii=True, allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))
