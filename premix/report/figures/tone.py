"""Tone of variants by third octave, against the recipe itself, at equal loudness."""

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np

from premix.dsp.bands import band_slices, third_octave_bands
from premix.model.analysis import FloatArray
from premix.report.drawing import band_label, frequency_axis, panels
from premix.report.excerpt import FileExcerpt
from premix.report.figures.picture import Picture, db
from premix.report.palette import colour
from premix.report.window import Window
from premix.units import power_to_db

_FRAME_S = 0.34
_BANDS = third_octave_bands(40.0, 10_000.0)
_MOST_DB = 60.0
"""A band that far below the first variant's holds nothing, and is not compared."""
_SHOWN_DB = 6.0
_MOST_PANELS = 24
Levels = Sequence[tuple[str, FloatArray]]


def band_levels_db(path: Path, window: Window, rate: int) -> FloatArray:
    """Mean level (bands) of a stereo file over a stretch, both channels, Hann-windowed frames; in dB, as a sum of
    squares: good for differences."""
    length = 1 << round(np.log2(_FRAME_S * rate))
    slices = band_slices(np.asarray(np.fft.rfftfreq(length, 1.0 / rate), np.float64), _BANDS)
    taper, powers = np.hanning(length + 1)[:-1], np.zeros(length // 2 + 1)
    for channel in (0, 1):
        with closing(FileExcerpt(path, channel, window.start)) as stream:
            for _ in range(max(1, window.frames // length)):
                powers += np.abs(np.fft.rfft(taper * stream.next(length))) ** 2
    return np.array([power_to_db(float(powers[part].sum())) for part in slices])


def tone_picture(levels: Levels) -> Picture:
    """A line a variant: its level in each third octave against that of the first one."""
    first = levels[0][1]
    against = [(name, np.where(np.minimum(own, first) > first.max() - _MOST_DB, own - first, np.nan))
               for name, own in levels[1:]]
    widest = [(name, float(np.nanmax(np.abs(d)))) for name, d in against if not np.isnan(d).all()]
    text = ", ".join(f"{name} {db(most)} dB" for name, most in widest)
    more = f"; the first {_MOST_PANELS} are drawn" if len(against) > _MOST_PANELS else ""
    return Picture(
        name="tone",
        title=f"Tone of each variant against {levels[0][0]}",
        text=f"Level by third octave at equal loudness; 0 dB is that of {levels[0][0]}. Largest difference: {text}. "
             f"Bars end at {_SHOWN_DB:.0f} dB{more}.",
        draw=lambda: _draw(against[:_MOST_PANELS]),
        head=("dB in third octave, Hz", *(band_label(band.centre_hz) for band in _BANDS)),
        rows=tuple((name, *(db(None if np.isnan(v) else float(v)) for v in values)) for name, values in against),
    )


def _draw(against: Levels) -> Any:
    figure, axes = panels([0.42] * len(against))
    centres = [band.centre_hz for band in _BANDS]
    for panel, (name, values) in zip(axes, against, strict=True):
        shown = np.clip(np.nan_to_num(values), -_SHOWN_DB, _SHOWN_DB)
        panel.bar(centres, shown, width=[0.18 * hz for hz in centres], color=colour("aligned"))
        panel.axhline(0.0, color=colour("ink"), linewidth=0.8)
        panel.set(title=name, ylim=(-_SHOWN_DB, _SHOWN_DB), yticks=(-5, 0, 5), ylabel="dB")
    frequency_axis(axes[-1], centres[0] / 1.15, centres[-1] * 1.15)
    return figure
