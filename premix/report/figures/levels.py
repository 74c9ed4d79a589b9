"""Loudness and peaks of every file on one scale."""

from collections.abc import Iterator
from typing import Any

from premix.model.render import WrittenFile
from premix.report.drawing import legend, panels
from premix.report.figures.picture import Material, Picture, db
from premix.report.palette import colour

_MOST_FILES = 40
_LOWEST_DB = -60.0
_MARKS = (
    ("loudness_lufs", "loudness, LUFS", "aligned", "o", 5.0),
    ("true_peak_dbtp", "true peak, dBTP", "recorded", "D", 4.5),
    ("sample_peak_dbfs", "sample peak, dBFS", "plum", "|", 9.0),
)


def pictures(material: Material) -> Iterator[Picture]:
    """One picture of all files; none where nothing was written."""
    files = material.run.rendering.files[:_MOST_FILES]
    ceiling = material.run.merged.recipe.deliver.ceiling_dbtp
    if files:
        peaks = [f.measures.true_peak_dbtp for f in files if f.measures.true_peak_dbtp is not None]
        highest = f"the highest true peak is {db(max(peaks), 2)} dBTP" if peaks else "all are silent"
        yield Picture(
            name="levels",
            title="Loudness and peaks of the files",
            text=f"A line a file: loudness, sample peak and true peak; {highest}, the ceiling {db(ceiling)} dBTP.",
            draw=lambda: _draw(files, ceiling),
            head=("part", *(label for _, label, *_ in _MARKS)),
            rows=tuple(
                (f.part.part, *(db(getattr(f.measures, field), 2) for field, *_ in _MARKS)) for f in files
            ),
        )


def _draw(files: tuple[WrittenFile, ...], ceiling: float) -> Any:
    figure, (axes,) = panels([0.19 * len(files) + 0.2])
    axes.set_position((0.22, axes.get_position().y0, 0.76, axes.get_position().height))
    for field, label, ink, marker, size in _MARKS:
        found = [(getattr(f.measures, field), row) for row, f in enumerate(files)]
        values = [(max(_LOWEST_DB, value), row) for value, row in found if value is not None]
        axes.plot([v for v, _ in values], [r for _, r in values], linestyle="none", marker=marker, markersize=size,
                  color=colour(ink), label=label)
    axes.axvline(ceiling, color=colour("rust"), linestyle=(0.0, (4.0, 2.0)), label=f"ceiling {db(ceiling)} dBTP")
    axes.set_yticks(range(len(files)), [f.part.part for f in files])
    axes.set(ylim=(len(files) - 0.4, -0.6), xlabel="dB")
    legend(axes, 4)
    return figure
