"""How far apart the performances were doubled: the spread of their onsets, pair by pair."""

from collections.abc import Iterator
from typing import Any

from premix.model.doubling import OnsetSpread
from premix.report.drawing import legend, panels
from premix.report.figures.picture import Material, Picture, db
from premix.report.palette import colour

_MOST_PAIRS = 30


def pictures(material: Material) -> Iterator[Picture]:
    """One picture of all pairs with onsets in common."""
    pairs = [pair for pair in material.run.rendering.onset_spread if pair.median_ms is not None][:_MOST_PAIRS]
    if pairs:
        widest = max(pairs, key=lambda pair: pair.p90_ms or 0.0)
        yield Picture(
            name="doubling",
            title="Onsets of two performances, apart in time",
            text=f"A line a pair: half of the onsets are within the dot, nine in ten within the end of the line. "
                 f"Widest: {widest.performance_a} and {widest.performance_b}, {db(widest.p90_ms)} ms.",
            draw=lambda: _draw(pairs),
            head=("pair", "median, ms", "nine in ten within, ms", "second late by, ms"),
            rows=tuple((_name(p), db(p.median_ms), db(p.p90_ms), db(p.offset_ms)) for p in pairs),
        )


def _name(pair: OnsetSpread) -> str:
    return f"{pair.performance_a}, {pair.performance_b}"


def _draw(pairs: list[OnsetSpread]) -> Any:
    figure, (axes,) = panels([0.19 * len(pairs) + 0.2])
    axes.set_position((0.22, axes.get_position().y0, 0.76, axes.get_position().height))
    rows = range(len(pairs))
    axes.hlines(rows, 0.0, [pair.p90_ms for pair in pairs], color=colour("recorded"), linewidth=1.4,
                label="nine in ten within")
    axes.plot([pair.median_ms for pair in pairs], rows, linestyle="none", marker="o", markersize=4.5,
              color=colour("aligned"), label="median")
    axes.set_yticks(rows, [_name(pair) for pair in pairs])
    axes.set(ylim=(len(pairs) - 0.4, -0.6), xlabel="ms apart")
    axes.set_xlim(left=0.0)
    legend(axes, 2)
    return figure
