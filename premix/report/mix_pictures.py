"""Pictures of what was measured of the mix: the guitar bus in stereo and in mono, loudness and peaks of every file,
and how far apart the performances were doubled.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np

from premix.model.mix import OnsetSpread, Rendered, StereoMeasures, WrittenFile
from premix.report.drawing import HALF_IN, band_label, colour, frequency_axis, legend, panels, spoken, written
from premix.report.pictures import Picture

_LOWEST_DB = -12.0
_STEPS = 12
Named = list[tuple[str, StereoMeasures]]


def stereo_pictures(rendered: Rendered) -> Iterator[Picture]:
    """Correlation over time and mono fold by band, with and without the centre."""
    rendering = rendered.rendering
    pair = (("with centre", rendering.stereo), ("without centre", rendering.stereo_without_centre))
    named = [(name, measures) for name, measures in pair if measures is not None]
    if named and any(measures.windows for _, measures in named):
        yield _over_time(named)
    if named and any(measures.bands for _, measures in named):
        yield _by_band(named)


def _over_time(named: Named) -> Picture:
    lowest = ", ".join(f"{name} {written(m.correlation_min, 2)}" for name, m in named if m.correlation_min is not None)
    end = max(m.windows[-1][0] for _, m in named if m.windows)
    edges = np.linspace(0.0, end + 1e-6, _STEPS + 1)
    spans = list(pairwise(edges))
    return Picture(
        name="correlation",
        title="Correlation of left and right over time",
        text=f"1 is mono, 0 is unrelated sides, below 0 cancels in mono. Lowest: {lowest or 'none'}.",
        draw=lambda: _draw_time(named),
        head=("mean from to, s", *(f"{a:.1f}–{b:.1f}" for a, b in spans)),
        rows=tuple((name, *(_mean(measures, a, b) for a, b in spans)) for name, measures in named),
    )


def _mean(measures: StereoMeasures, begin: float, end: float) -> str:
    inside = [rho for start, rho in measures.windows if begin <= start < end]
    return written(float(np.mean(inside)) if inside else None, 2)


def _draw_time(named: Named) -> Any:
    figure, (axes,) = panels([1.55], width_in=HALF_IN)
    for (name, measures), (ink, dash) in zip(named, (("plum", "-"), ("rust", (0.0, (4.0, 1.5)))), strict=False):
        times, values = zip(*measures.windows, strict=True) if measures.windows else ((), ())
        axes.plot(times, values, color=colour(ink), linestyle=dash, marker="o", markersize=1.8, label=name)
    axes.axhline(0.0, color=colour("ink"), linewidth=0.8)
    axes.set(ylim=(-1.05, 1.05), yticks=(-1, -0.5, 0, 0.5, 1), xlabel="time in s", ylabel="correlation")
    legend(axes, 2, left=0.0)
    return figure


def _by_band(named: Named) -> Picture:
    bands = named[0][1].bands
    worst = min(bands, key=lambda band: band.fold_db)
    folds = {name: {band.centre_hz: band.fold_db for band in m.bands} for name, m in named}
    return Picture(
        name="mono_fold",
        title="What mono playback loses, by third octave",
        text="0 dB loses nothing, −3 dB is that of unrelated sides. The worst third octave, "
        f"{spoken(band_label(worst.centre_hz))}, loses {abs(worst.fold_db):.1f} dB.",
        draw=lambda: _draw_bands(named),
        head=("dB in third octave, Hz", *(band_label(band.centre_hz) for band in bands)),
        rows=tuple((name, *(written(fold.get(band.centre_hz)) for band in bands)) for name, fold in folds.items()),
    )


def _draw_bands(named: Named) -> Any:
    figure, (axes,) = panels([1.55], width_in=HALF_IN)
    marks = (("plum", "-", "o"), ("rust", (0.0, (4.0, 1.5)), "s"))
    for (name, measures), (ink, dash, marker) in zip(named, marks, strict=False):
        centres = [band.centre_hz for band in measures.bands]
        folds = [max(_LOWEST_DB, band.fold_db) for band in measures.bands]
        axes.plot(centres, folds, color=colour(ink), linestyle=dash, marker=marker, markersize=3.0, label=name)
    axes.axhline(-3.01, color=colour("faint"), linewidth=0.8, linestyle=(0.0, (1.0, 2.0)))
    centres = [band.centre_hz for band in named[0][1].bands]
    frequency_axis(axes, centres[0] / 1.1, centres[-1] * 1.1)
    axes.set(ylim=(_LOWEST_DB, 0.5), ylabel="mono fold in dB")
    legend(axes, 2, left=0.0)
    return figure


_MOST_FILES = 40
_LOWEST_SHOWN_DB = -60.0
_MARKS = (
    ("loudness_lufs", "loudness, LUFS", "aligned", "o", 5.0),
    ("true_peak_dbtp", "true peak, dBTP", "recorded", "D", 4.5),
    ("sample_peak_dbfs", "sample peak, dBFS", "plum", "|", 9.0),
)


def level_pictures(rendered: Rendered) -> Iterator[Picture]:
    """One picture of all files; none where nothing was written."""
    files = rendered.rendering.files[:_MOST_FILES]
    ceiling = rendered.song.deliver.ceiling_dbtp
    if files:
        peaks = [f.measures.true_peak_dbtp for f in files if f.measures.true_peak_dbtp is not None]
        highest = f"the highest true peak is {written(max(peaks), 2)} dBTP" if peaks else "all are silent"
        yield Picture(
            name="levels",
            title="Loudness and peaks of the files",
            text=f"A line a file: loudness, sample peak and true peak; {highest}, the ceiling {written(ceiling)} dBTP.",
            draw=lambda: _draw_levels(files, ceiling),
            head=("part", *(label for _, label, *_ in _MARKS)),
            rows=tuple((f.part.part, *(written(getattr(f.measures, field), 2) for field, *_ in _MARKS)) for f in files),
        )


def _draw_levels(files: tuple[WrittenFile, ...], ceiling: float) -> Any:
    figure, axes = _rows_panel([f.part.part for f in files], "dB")
    for field, label, ink, marker, size in _MARKS:
        found = [(getattr(f.measures, field), row) for row, f in enumerate(files)]
        values = [(max(_LOWEST_SHOWN_DB, value), row) for value, row in found if value is not None]
        axes.plot(
            [v for v, _ in values],
            [r for _, r in values],
            linestyle="none",
            marker=marker,
            markersize=size,
            color=colour(ink),
            label=label,
        )
    axes.axvline(ceiling, color=colour("rust"), linestyle=(0.0, (4.0, 2.0)), label=f"ceiling {written(ceiling)} dBTP")
    legend(axes, 2, left=-0.3)
    return figure


def _rows_panel(labels: list[str], unit: str) -> tuple[Any, Any]:
    """A figure with a row a label, from the top down: (figure, axes)."""
    figure, (axes,) = panels([0.19 * len(labels) + 0.2], width_in=HALF_IN, top_in=0.5)
    axes.set_position((0.26, axes.get_position().y0, 0.71, axes.get_position().height))
    axes.set_yticks(range(len(labels)), labels)
    axes.set(ylim=(len(labels) - 0.4, -0.6), xlabel=unit)
    return figure, axes


_MOST_PAIRS = 30


def doubling_pictures(rendered: Rendered) -> Iterator[Picture]:
    """One picture of all pairs with onsets in common."""
    pairs = [pair for pair in rendered.rendering.onset_spread if pair.median_ms is not None][:_MOST_PAIRS]
    if pairs:
        widest = max(pairs, key=lambda pair: pair.p90_ms or 0.0)
        yield Picture(
            name="doubling",
            title="Onsets of two performances, apart in time",
            text=f"A line a pair: half of the onsets are within the dot, nine in ten within the end of the line. "
            f"Widest: {widest.performance_a} and {widest.performance_b}, {written(widest.p90_ms)} ms.",
            draw=lambda: _draw_doubling(pairs),
            head=("pair", "median, ms", "nine in ten within, ms", "second late by, ms"),
            rows=tuple((_name(p), written(p.median_ms), written(p.p90_ms), written(p.offset_ms)) for p in pairs),
        )


def _name(pair: OnsetSpread) -> str:
    return f"{pair.performance_a}, {pair.performance_b}"


def _draw_doubling(pairs: list[OnsetSpread]) -> Any:
    figure, axes = _rows_panel([_name(pair) for pair in pairs], "ms apart")
    rows = range(len(pairs))
    axes.hlines(
        rows, 0.0, [pair.p90_ms for pair in pairs], color=colour("recorded"), linewidth=1.4, label="nine in ten within"
    )
    axes.plot(
        [pair.median_ms for pair in pairs],
        rows,
        linestyle="none",
        marker="o",
        markersize=4.5,
        color=colour("aligned"),
        label="median",
    )
    axes.set_xlim(left=0.0)
    legend(axes, 2, left=-0.3)
    return figure
