"""Colours of the page and its pictures: by name, one value on light paper and one on dark.

Colours that stand beside each other differ in lightness too, so that they stay apart in grey print and for
every kind of colour vision; lines differ in their dashes as well.
"""

COLOURS: dict[str, tuple[str, str]] = {
    "paper": ("#fbfaf6", "#15171a"),
    "wash": ("#f0ede4", "#1f2226"),
    "rule": ("#d5cfc0", "#3c4046"),
    "faint": ("#665f54", "#a8a194"),
    "ink": ("#1d1b18", "#ebe7de"),
    "recorded": ("#a8742f", "#8f7a4e"),
    "aligned": ("#14503f", "#a5dccb"),
    "open": ("#e2dcc9", "#33383d"),
    "plum": ("#2b1942", "#efe6fb"),
    "pine": ("#15533f", "#a4dbc8"),
    "rust": ("#9b3f21", "#f1a688"),
    "slate": ("#5c72ab", "#8399d4"),
    "straw": ("#a38a45", "#97834a"),
}
"""Name -> (on light paper, on dark paper); a page's style sheet knows them as --name."""

Dash = str | tuple[float, tuple[float, ...]]
_INKS = ("plum", "pine", "rust", "slate", "straw")
_DASHES: tuple[Dash, ...] = (
    "-", (0.0, (7.0, 1.5)), (0.0, (4.0, 1.2, 1.0, 1.2)), (0.0, (2.5, 1.2)), (0.0, (1.0, 1.0)),
)


def colour(name: str) -> str:
    """The colour on light paper; pictures are drawn with it, and the page puts the reader's own in its place."""
    return COLOURS[name][0]


def series(count: int) -> list[tuple[str, Dash]]:
    """(colour on light paper, dashes) of each of `count` lines, dark ones first; the first 25 all differ."""
    inks, dashes = len(_INKS), len(_DASHES)
    return [(colour(_INKS[n % inks]), _DASHES[(n + n // inks) % dashes]) for n in range(count)]


def style_variables(dark: bool) -> str:
    """The colours as declarations of a style sheet."""
    return " ".join(f"--{name}: {pair[dark]};" for name, pair in COLOURS.items())
