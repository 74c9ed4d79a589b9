"""Sum efficiency in third octaves, as recorded and aligned: what the close mics lose to each other, and where."""

import math
from collections.abc import Iterator
from typing import Any

from premix.model.alignment import BandEfficiency, Efficiency
from premix.report.drawing import band_label, frequency_axis, legend, panels, spoken
from premix.report.figures.picture import Material, Picture, db
from premix.report.palette import colour

_MOST_PANELS = 6
_LOWEST_DB = -30.0


def pictures(material: Material) -> Iterator[Picture]:
    """Pictures of up to six performances each."""
    found = [efficiency for efficiency in material.run.alignment.efficiencies if efficiency.bands]
    for first in range(0, len(found), _MOST_PANELS):
        yield _picture(found[first : first + _MOST_PANELS], first // _MOST_PANELS + 1)


def _picture(efficiencies: list[Efficiency], number: int) -> Picture:
    centres = sorted({band.centre_hz for e in efficiencies for band in e.bands})
    rows = []
    for efficiency in efficiencies:
        bands = {band.centre_hz: band for band in efficiency.bands}
        found = [bands.get(hz) for hz in centres]
        rows.append((f"{efficiency.performance} as recorded", *(db(b.before_db if b else None) for b in found)))
        rows.append((f"{efficiency.performance} aligned", *(db(b.after_db if b else None, 2) for b in found)))
    return Picture(
        name=f"efficiency_{number}",
        title="Sum efficiency by third octave",
        text=f"Bars down from 0 dB, the limit. Worst third octaves as recorded: {_worst(efficiencies, 'before_db')}. "
             f"Aligned: {_worst(efficiencies, 'after_db')}.",
        draw=lambda: _draw(efficiencies, centres),
        head=("dB in third octave, Hz", *(band_label(hz) for hz in centres)),
        rows=tuple(rows),
    )


def _worst(efficiencies: list[Efficiency], key: str) -> str:
    def value(band: BandEfficiency) -> float:
        return float(getattr(band, key))

    worst = [(e.performance, min(e.bands, key=value)) for e in efficiencies]
    return ", ".join(f"{name} {db(value(band))} dB at {spoken(band_label(band.centre_hz))}" for name, band in worst)


def _draw(efficiencies: list[Efficiency], centres: list[float]) -> Any:
    figure, axes = panels([0.85] * len(efficiencies))
    worst = min(min(band.before_db, band.after_db) for e in efficiencies for band in e.bands)
    lowest = max(_LOWEST_DB, 10.0 * math.floor(min(worst, -0.1) / 10.0))
    for panel, efficiency in zip(axes, efficiencies, strict=True):
        for shift, key, ink, label in (
            (-1, "before_db", "recorded", "as recorded"), (1, "after_db", "aligned", "aligned"),
        ):
            middle = [band.centre_hz * 10 ** (0.021 * shift) for band in efficiency.bands]
            values = [max(lowest, getattr(band, key)) for band in efficiency.bands]
            panel.bar(middle, values, width=[hz * 0.092 for hz in middle], color=colour(ink), label=label)
        panel.set(title=efficiency.performance, ylim=(lowest, -0.04 * lowest), ylabel="dB")
        panel.axhline(0.0, color=colour("ink"), linewidth=0.8)
    frequency_axis(axes[-1], centres[0] / 1.15, centres[-1] * 1.15)
    legend(axes[0], 2)
    return figure
