"""How pages and pictures look: colours, numbers in words, one matplotlib style, the same bytes on every run.

Colours go by name, one value on light paper and one on dark. Those that stand beside each other differ in lightness
too, so that they stay apart in grey print and for every kind of colour vision; lines differ in their dashes as well.
"""

import io
import math
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

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
_DASHES: tuple[Dash, ...] = ("-", (0.0, (7.0, 1.5)), (0.0, (4.0, 1.2, 1.0, 1.2)), (0.0, (2.5, 1.2)), (0.0, (1.0, 1.0)))


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


WIDTH_IN = 9.2
HALF_IN = 5.4
"""Width of a picture beside another one."""
_MARGIN_IN = {"left": 0.72, "right": 0.2, "top": 0.3, "bottom": 0.5, "between": 0.42}
_DPI = 150


def _library() -> Any:
    """matplotlib, whatever window system the environment asks it for: nothing is shown, and the wish may be none."""
    wish = os.environ.pop("MPLBACKEND", None)
    try:
        import matplotlib
    finally:
        if wish is not None:
            os.environ["MPLBACKEND"] = wish
    return matplotlib


@contextmanager
def style(*, text_as_paths: bool = False) -> Iterator[None]:
    """The style of all pictures, while drawing and while saving.

    text_as_paths: letters as outlines, for files that are looked at elsewhere; on the page they stay text.
    """
    matplotlib = _library()
    ink, faint, rule, paper = colour("ink"), colour("faint"), colour("rule"), colour("paper")
    settings = {
        "svg.hashsalt": "premix",
        "svg.fonttype": "path" if text_as_paths else "none",
        "font.family": "sans-serif",
        "font.sans-serif": ["DejaVu Sans"],
        "font.size": 9.0,
        "axes.titlesize": 9.0,
        "axes.titley": 1.0,
        "axes.titlepad": 5.0,
        "axes.titlelocation": "left",
        "axes.labelsize": 8.5,
        "xtick.labelsize": 8.0,
        "ytick.labelsize": 8.0,
        "legend.fontsize": 8.0,
        "text.color": ink,
        "axes.labelcolor": faint,
        "axes.titlecolor": ink,
        "axes.edgecolor": faint,
        "xtick.color": faint,
        "ytick.color": faint,
        "xtick.labelcolor": ink,
        "ytick.labelcolor": ink,
        "axes.facecolor": paper,
        "figure.facecolor": paper,
        "axes.linewidth": 0.6,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.grid": True,
        "grid.color": rule,
        "grid.linewidth": 0.5,
        "axes.axisbelow": True,
        "xtick.major.size": 3.0,
        "ytick.major.size": 3.0,
        "xtick.minor.size": 0.0,
        "legend.frameon": False,
        "legend.handlelength": 2.8,
        "lines.linewidth": 1.2,
        "path.simplify": False,
    }
    with matplotlib.rc_context(settings):
        yield


def panels(
    heights_in: Sequence[float],
    *,
    width_in: float = WIDTH_IN,
    top_in: float = _MARGIN_IN["top"],
    between_in: float = _MARGIN_IN["between"],
) -> tuple[Any, list[Any]]:
    """A figure with panels of these heights below each other, on one x axis: (figure, axes)."""
    from matplotlib.figure import Figure

    edge = _MARGIN_IN
    height = sum(heights_in) + top_in + edge["bottom"] + between_in * (len(heights_in) - 1)
    figure = Figure(figsize=(width_in, height))
    axes: list[Any] = []
    top = height - top_in
    for panel in heights_in:
        box = (
            edge["left"] / width_in,
            (top - panel) / height,
            (width_in - edge["left"] - edge["right"]) / width_in,
            panel / height,
        )
        axes.append(figure.add_axes(box, sharex=axes[0] if axes else None))
        if axes[1:]:
            axes[-2].tick_params(labelbottom=False)
        top -= panel + between_in
    return figure, axes


def frequency_axis(axes: Any, low_hz: float, high_hz: float) -> None:
    """A logarithmic frequency axis with plain labels at the octaves."""
    from matplotlib.ticker import FixedLocator, NullFormatter, NullLocator

    octaves = [hz for hz in (31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000) if low_hz <= hz <= high_hz]
    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.xaxis.set_major_locator(FixedLocator(octaves))
    axes.set_xticks(octaves, [frequency_label(hz) for hz in octaves])
    axes.set_xlabel("frequency in Hz")


NOTHING = "–"


def written(value: float | None, digits: int = 1, *, sign: bool = False) -> str:
    """A number with a true minus sign, never '-0.00'; '–' for None."""
    if value is None:
        return NOTHING
    text = f"{value:+.{digits}f}" if sign else f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("+-")
    return text.replace("-", "\N{MINUS SIGN}")


def frequency_label(hz: float) -> str:
    """A frequency in few characters: 63, 125, 1k, 12.5k."""
    return f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}"


def spoken(hz_label: str) -> str:
    """A label as it is said in a sentence: 63 -> 63 Hz, 1.25k -> 1.25 kHz."""
    return f"{hz_label[:-1]} kHz" if hz_label.endswith("k") else f"{hz_label} Hz"


_NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


def band_label(centre_hz: float) -> str:
    """The nominal name of a third octave by its exact centre (IEC 61260-1, table E.1): 63.1 -> 63, 1259 -> 1.25k."""
    step = round(10.0 * math.log10(centre_hz))
    nominal = _NOMINAL[step % 10] * 10 ** (step // 10)
    return frequency_label(int(nominal) if 10 <= nominal < 20 or nominal >= 40 else nominal)


_LETTER_IN, _HANDLE_IN = 0.068, 0.62
"""Width of a letter and of what stands before a label, with some air: DejaVu Sans at 8 points."""


def legend(axes: Any, columns: int, left: float = 0.21) -> None:
    """The legend above the panel, beside its title (from `left`, 0 to 1 of the panel), where a narrow screen shows it
    too; in as many rows as it takes to fit into the figure."""
    handles, labels = axes.get_legend_handles_labels()
    if not handles:
        return
    box, width_in = axes.get_position(), axes.figure.get_figwidth()
    room_in = (0.99 - box.x0 - left * box.width) * width_in
    columns = legend_columns(labels, columns, room_in)
    axes.legend(loc="lower left", bbox_to_anchor=(left, 1.0), ncols=columns, borderaxespad=0.0, columnspacing=1.4)


def legend_columns(labels: Sequence[str], most: int, room_in: float) -> int:
    """How many columns of a legend fit into a width."""
    each_in = [_HANDLE_IN + _LETTER_IN * len(label) for label in labels]
    columns = min(most, len(labels))
    while columns > 1 and sum(max(each_in[n::columns]) for n in range(columns)) > room_in:
        columns -= 1
    return columns


def svg(figure: Any) -> str:
    """The figure as SVG text, without a date."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return buffer.getvalue().decode()


def png(figure: Any) -> bytes:
    """The figure as a PNG image, without a date."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=_DPI, metadata={"Software": None})
    return buffer.getvalue()
