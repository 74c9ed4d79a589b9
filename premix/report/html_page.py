"""A picture's SVG made part of the page: no inline styles, no clashing ids, colours by name.

The page's content security policy forbids style attributes, so each becomes presentation attributes, which
SVG 2 (chapter 6.6) defines for the same properties.

One self-contained HTML file: template, style and script, with a policy that lets nothing else in or out.
"""

import base64
import hashlib
import html
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from premix.report.drawing import COLOURS, style_variables
from premix.report.facts import written
from premix.report.listening import Listening

_FRAME = re.compile(r"<\?xml.*?\?>|<!DOCTYPE.*?>|<metadata>.*?</metadata>|<!--.*?-->|<style.*?</style>", re.DOTALL)
_STYLE = re.compile(r' style="([^"]*)"')
_ROOT = re.compile(r"<svg [^>]*>")
_VIEW = re.compile(r'viewBox="[^"]*"')
_FONT = re.compile(r"font-family: [^;]*(; )?")
_ID = re.compile(r'( id="|xlink:href="#|url\(#)')
_INKS = {pair[0]: f"var(--{name})" for name, pair in COLOURS.items()}
_INK = re.compile("|".join(_INKS))


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


_FOLDER = Path(__file__).parent / "templates"


def html_page(template: str, listening: Listening, rate: int, **facts: Any) -> Iterator[str]:
    """The page of a template in this room, piece by piece, so that no second copy of its clips is made.

    facts: what the template needs beside what is heard.
    """
    import jinja2
    from markupsafe import Markup

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["decimal"] = written
    css = _text("page.css").replace("@LIGHT@", style_variables(False)).replace("@DARK@", style_variables(True))
    script = _text("player.js")
    return environment.get_template(template).generate(
        css=Markup(css),
        script=Markup(script),
        policy=_policy(css, script),
        listening=listening,
        played=Markup(_script_safe(_played(listening, rate))),
        base64=lambda data: Markup(base64.b64encode(data).decode()),
        **facts,
    )


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


def _script_safe(data: Any) -> str:
    """JSON that cannot end the script element it stands in."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
