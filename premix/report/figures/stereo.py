"""The stereo picture of the guitar bus: correlation over time, and what each band loses in mono."""

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np

from premix.model.render import StereoMeasures
from premix.report.drawing import band_label, frequency_axis, legend, panels, spoken
from premix.report.figures.picture import Material, Picture, db
from premix.report.palette import colour

_LOWEST_DB = -12.0
_STEPS = 12
Named = list[tuple[str, StereoMeasures]]


def pictures(material: Material) -> Iterator[Picture]:
    """Correlation over time and mono fold by band, with and without the centre."""
    rendering = material.run.rendering
    pair = (("with centre", rendering.stereo), ("without centre", rendering.stereo_without_centre))
    named = [(name, measures) for name, measures in pair if measures is not None]
    if named and any(measures.windows for _, measures in named):
        yield _over_time(named)
    if named and any(measures.bands for _, measures in named):
        yield _by_band(named)


def _over_time(named: Named) -> Picture:
    lowest = ", ".join(f"{name} {db(m.correlation_min, 2)}" for name, m in named if m.correlation_min is not None)
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
    return db(float(np.mean(inside)) if inside else None, 2)


def _draw_time(named: Named) -> Any:
    figure, (axes,) = panels([1.5])
    for (name, measures), (ink, dash) in zip(
        named, (("plum", "-"), ("rust", (0.0, (4.0, 1.5)))), strict=False
    ):
        times, values = zip(*measures.windows, strict=True) if measures.windows else ((), ())
        axes.plot(times, values, color=colour(ink), linestyle=dash, marker="o", markersize=1.8, label=name)
    axes.axhline(0.0, color=colour("ink"), linewidth=0.8)
    axes.set(ylim=(-1.05, 1.05), yticks=(-1, -0.5, 0, 0.5, 1), xlabel="time in s", ylabel="correlation")
    legend(axes, 2)
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
        rows=tuple((name, *(db(fold.get(band.centre_hz)) for band in bands)) for name, fold in folds.items()),
    )


def _draw_bands(named: Named) -> Any:
    figure, (axes,) = panels([1.5])
    marks = (("plum", "-", "o"), ("rust", (0.0, (4.0, 1.5)), "s"))
    for (name, measures), (ink, dash, marker) in zip(named, marks, strict=False):
        centres = [band.centre_hz for band in measures.bands]
        folds = [max(_LOWEST_DB, band.fold_db) for band in measures.bands]
        axes.plot(centres, folds, color=colour(ink), linestyle=dash, marker=marker, markersize=3.0, label=name)
    axes.axhline(-3.01, color=colour("faint"), linewidth=0.8, linestyle=(0.0, (1.0, 2.0)))
    centres = [band.centre_hz for band in named[0][1].bands]
    frequency_axis(axes, centres[0] / 1.1, centres[-1] * 1.1)
    axes.set(ylim=(_LOWEST_DB, 0.5), ylabel="mono fold in dB")
    legend(axes, 2)
    return figure
