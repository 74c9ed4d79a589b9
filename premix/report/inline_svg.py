"""A picture's SVG made part of the page: no inline styles, no clashing ids, colours by name.

The page's content security policy forbids style attributes, so each becomes presentation attributes, which
SVG 2 (chapter 6.6) defines for the same properties.
"""

import html
import re

from premix.report.palette import COLOURS

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
    root = f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" ' \
           f'{view[0] if view else ""} role="img" aria-label="{html.escape(text)}">'
    body = _ROOT.sub(lambda _: root, body, count=1)
    body = _STYLE.sub(lambda match: _attributes(match[1]), body)
    body = _ID.sub(lambda match: f"{match[1]}{name}-", body)
    return _INK.sub(lambda match: _INKS[match[0]], body)


def _attributes(style: str) -> str:
    """'fill: none; stroke: #123456' -> ' fill="none" stroke="#123456"'; the font is the page's own."""
    parts = (part.split(":", 1) for part in _FONT.sub("", style).split(";") if ":" in part)
    return "".join(f' {key.strip()}="{value.strip()}"' for key, value in parts)
