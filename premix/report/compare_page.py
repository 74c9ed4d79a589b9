"""The page of a comparison: all variants in one player, what each changes, and how its tone differs from the first
one's, by third octave, at equal loudness.
"""

from collections.abc import Sequence
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from premix.arrays import FloatArray
from premix.audio.bands import band_slices, third_octave_bands
from premix.audio.headers import read_header
from premix.audio.reader import TrackReader
from premix.model.manifest import ComparisonManifest, VariantEntry
from premix.model.song import Song
from premix.model.tracks import Track
from premix.report.drawing import band_label, colour, frequency_axis, panels, written
from premix.report.html_page import MOST_BYTES, Page, flat
from premix.report.listening import Player, Source, Version, Voice, make_listening
from premix.report.pictures import Picture, drawn
from premix.report.window import SECONDS, Window, busiest_window
from premix.units import power_to_db, s_to_samples

SECTIONS = (("listen", "Listen"), ("variants", "Variants"), ("tone", "Tone"))
_FRAME_S = 0.34
_BANDS = third_octave_bands(40.0, 10_000.0)
_MOST_DB = 60.0
"""A band that far below the first variant's holds nothing, and is not compared."""
_SHOWN_DB = 6.0
_MOST_PANELS = 24
Levels = Sequence[tuple[str, FloatArray]]


def write_compare_page(
    song: Song, document: ComparisonManifest, folder: Path, path: Path, *, most_bytes: int = MOST_BYTES
) -> None:
    """Write the page of a comparison to `path`. Needs the extra `report`.

    document: its manifest; folder: where its files lie. Raises DeliveryError where the page cannot be written.
    """
    begin_s, end_s = busiest_window(song, SECONDS).seconds(song.rate)
    rate, start = document.rate, round(s_to_samples(begin_s, document.rate))
    window = Window(start, min(round(s_to_samples(end_s, rate)), document.variants[0].frames) - start)
    levels = [(v.variant, band_levels_db(folder / v.path, window, rate)) for v in document.variants]
    facts = {
        "sections": SECTIONS,
        "changes": [_spoken(variant.changes) for variant in document.variants],
        "tone": drawn([tone_picture(levels)]),
    }
    page = Page("compare.html", document, rate, facts)
    sources = [_source(variant, folder) for variant in document.variants]
    player = Player("variants", "Guitar bus", tuple(_version(variant) for variant in document.variants))
    page.write(path, make_listening(sources, [player], window, rate, most_bytes - page.size(), folder))


class FileExcerpt:
    """All channels of a written file from `start` on."""

    def __init__(self, path: Path, start: int) -> None:
        header = read_header(path)
        self._readers = [TrackReader(Track("", "", header, 0, channel)) for channel in range(header.channels)]
        self._position = start

    def next(self, count: int) -> FloatArray:
        """The next `count` samples, (channels, count)."""
        samples = np.empty((len(self._readers), count))
        for reader, row in zip(self._readers, samples, strict=True):
            reader.read(self._position, row)
        self._position += count
        return samples

    def close(self) -> None:
        for reader in self._readers:
            reader.close()


def band_levels_db(path: Path, window: Window, rate: int) -> FloatArray:
    """Mean level (bands) of a stereo file over a stretch, both channels, Hann-windowed frames; in dB, as a sum of
    squares: good for differences."""
    length = 1 << round(np.log2(_FRAME_S * rate))
    slices = band_slices(np.asarray(np.fft.rfftfreq(length, 1.0 / rate), np.float64), _BANDS)
    taper, powers = np.hanning(length + 1)[:-1], np.zeros(length // 2 + 1)
    with closing(FileExcerpt(path, window.start)) as stream:
        for _ in range(max(1, window.frames // length)):
            powers += (np.abs(np.fft.rfft(taper * stream.next(length))) ** 2).sum(axis=0)
    return np.array([power_to_db(float(powers[part].sum())) for part in slices])


def tone_picture(levels: Levels) -> Picture:
    """A line a variant: its level in each third octave against that of the first one."""
    first = levels[0][1]
    against = [
        (name, np.where(np.minimum(own, first) > first.max() - _MOST_DB, own - first, np.nan))
        for name, own in levels[1:]
    ]
    widest = [(name, float(np.nanmax(np.abs(d)))) for name, d in against if not np.isnan(d).all()]
    text = ", ".join(f"{name} {written(most)} dB" for name, most in widest)
    more = f"; the first {_MOST_PANELS} are drawn" if len(against) > _MOST_PANELS else ""
    return Picture(
        name="tone",
        title=f"Tone of each variant against {levels[0][0]}",
        text=f"Level by third octave at equal loudness; 0 dB is that of {levels[0][0]}. Largest difference: {text}. "
        f"Bars end at {_SHOWN_DB:.0f} dB{more}.",
        draw=lambda: _draw(against[:_MOST_PANELS]),
        head=("dB in third octave, Hz", *(band_label(band.centre_hz) for band in _BANDS)),
        rows=tuple((name, *(written(None if np.isnan(v) else float(v)) for v in values)) for name, values in against),
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


def _source(variant: VariantEntry, folder: Path) -> Source:
    return Source(_clips(variant), partial(FileExcerpt, folder / variant.path))


def _version(variant: VariantEntry) -> Version:
    left, right = _clips(variant)
    return Version(variant.variant, (Voice(left, 1.0, 0.0), Voice(right, 0.0, 1.0)))


def _clips(variant: VariantEntry) -> tuple[str, str]:
    return f"{variant.variant}_l", f"{variant.variant}_r"


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
