"""Tone of variants by third octave, against the recipe itself, at equal loudness.

The page of a comparison: all variants in one player, what each changes, and how its tone differs.
"""

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np

from premix.arrays import FloatArray
from premix.audio.bands import band_slices, third_octave_bands
from premix.audio.writer import storage_error
from premix.report.drawing import band_label, colour, frequency_axis, panels
from premix.report.excerpt import FileExcerpt
from premix.report.facts import Figures, flat
from premix.report.html_page import html_page
from premix.report.listening import Listening, Player, Source, Version, Voice, make_listening
from premix.report.page import MOST_BYTES
from premix.report.pictures import Picture, db, shown
from premix.report.window import Window
from premix.units import db_to_gain, power_to_db, s_to_samples

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
    against = [
        (name, np.where(np.minimum(own, first) > first.max() - _MOST_DB, own - first, np.nan))
        for name, own in levels[1:]
    ]
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


SECTIONS = (("listen", "Listen"), ("variants", "Variants"), ("tone", "Tone"))


def write_compare_page(
    document: dict[str, Any], folder: Path, path: Path, stretch_s: tuple[float, float], *, most_bytes: int = MOST_BYTES
) -> None:
    """Write the page of a comparison to `path`. Needs the extra `report`.

    document: its manifest; folder: where its files lie; stretch_s: what is heard, from and to, in seconds. Raises
    DeliveryError where the page cannot be written.
    """
    rate, start = document["rate"], round(s_to_samples(stretch_s[0], document["rate"]))
    window = Window(start, min(round(s_to_samples(stretch_s[1], rate)), document["variants"][0]["frames"]) - start)
    levels = [(v["variant"], band_levels_db(folder / v["path"], window, rate)) for v in document["variants"]]
    facts = {
        "m": document,
        "n": Figures(document).number,
        "sections": SECTIONS,
        "changes": [_spoken(variant["changes"]) for variant in document["variants"]],
        "tone": [shown(tone_picture(levels))],
    }
    silent = html_page("compare.html", Listening((), (), 0.0, 0.0), rate, **facts)
    size = sum(len(piece.encode()) for piece in silent)
    sources = [source for variant in document["variants"] for source in _sources(variant, folder)]
    player = Player("variants", "Guitar bus", tuple(_version(variant) for variant in document["variants"]))
    listening = make_listening(sources, [player], window, rate, most_bytes - size, folder)
    try:
        with path.open("w", encoding="utf-8", newline="\n") as file:
            file.writelines(html_page("compare.html", listening, rate, **facts))
    except OSError as error:
        raise storage_error(path, error) from None


def _sources(variant: dict[str, Any], folder: Path) -> list[Source]:
    path, peak_dbfs = folder / variant["path"], variant["sample_peak_dbfs"]
    peak = db_to_gain(peak_dbfs) if peak_dbfs is not None else 0.0

    def opener(channel: int) -> Any:
        return lambda start: FileExcerpt(path, channel, start)

    return [Source(f"{variant['variant']}_{side}", opener(channel), peak) for channel, side in enumerate("lr")]


def _version(variant: dict[str, Any]) -> Version:
    name = variant["variant"]
    return Version(name, (Voice(f"{name}_l", 1.0, 0.0), Voice(f"{name}_r", 0.0, 1.0)))


def _spoken(changes: dict[str, Any]) -> list[str]:
    """What a variant changes, a line for each thing that is said: 'mics, mute true: ribbon, room'."""
    said: dict[str, list[str]] = {}
    for table, entries in changes.items():
        if not isinstance(entries, dict):
            said[f"{table} {entries}"] = []
            continue
        for name, fields in entries.items():
            for line in flat(fields):
                said.setdefault(f"{table}, {' '.join(line)}", []).append(name)
    return [f"{what}: {', '.join(names)}" if names else what for what, names in said.items()]
