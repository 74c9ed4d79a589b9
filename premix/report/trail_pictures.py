"""Pictures of mics that are not steady: each one's delay over the song, as it was followed, and what was applied."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from premix.delivery.track_sheet import passage_words
from premix.model.alignment import MicTrail, Passage
from premix.model.mix import Rendered
from premix.model.song import Mic, Performance, Song
from premix.report.drawing import NOTHING, colour, legend, panels, written
from premix.report.pictures import Picture
from premix.units import samples_to_ms, samples_to_s

CHANGES = frozenset(("alignment-jump", "alignment-turned", "alignment-drift", "alignment-dropout"))
"""Findings that say a mic is not steady."""
_MOST_PANELS = 4
_LEVEL_DB = 6.0
"""A mic's level is drawn too where it strays this far from its own average."""
_LOWEST_DB, _HIGHEST_DB = -48.0, 12.0


@dataclass(frozen=True, slots=True)
class _Unsteady:
    """One mic. passages: as applied, one where it was only told. said: the findings' words."""

    mic: Mic
    trail: MicTrail
    passages: tuple[Passage, ...]
    said: tuple[str, ...]

    @property
    def strays(self) -> bool:
        return any(abs(db) > _LEVEL_DB for db in self.trail.level_db)


def trail_pictures(rendered: Rendered) -> Iterator[Picture]:
    """Of every performance with such mics, pictures of up to four each."""
    for performance in rendered.song.performances:
        found = list(_unsteady(rendered.song, performance))
        for first in range(0, len(found), _MOST_PANELS):
            number = "" if len(found) <= _MOST_PANELS else f"_{first // _MOST_PANELS + 1}"
            some = found[first : first + _MOST_PANELS]
            yield _picture(f"steadiness_{performance.name}{number}", performance, some, rendered.song)


def _unsteady(song: Song, performance: Performance) -> Iterator[_Unsteady]:
    trails = {trail.mic: trail for trail in performance.steadiness}
    for mic in performance.judged:
        own = mic.decision
        said = tuple(f.message for f in song.findings if f.subject == mic.label and f.slug in CHANGES)
        trail = trails.get(mic.name)
        if trail is not None and trail.times_s and (said or own.passages):
            whole = Passage(0.0, samples_to_s(song.frames, song.rate), own.delay_samples, own.polarity)
            yield _Unsteady(mic, trail, own.passages or (whole,), said)


def _picture(name: str, performance: Performance, found: Sequence[_Unsteady], song: Song) -> Picture:
    rows = [
        (
            one.mic.name,
            written(passage.from_s, 2),
            written(passage.to_s, 2),
            written(samples_to_ms(passage.delay_samples, song.rate), 3, sign=True),
            "inverted" if passage.polarity < 0 else "normal",
            written(passage.ppm, 1, sign=True) if passage.ppm else NOTHING,
        )
        for one in found
        for passage in one.passages
    ]
    words = [
        f"{one.mic.name}: {'; '.join(one.said or (passage_words(p, song.rate) for p in one.passages))}" for one in found
    ]
    return Picture(
        name=name,
        title=f"{performance.name}: mics that change in the song",
        text="Delay of each mic by time, a point for every few seconds of riff, the line what was applied. "
        f"{'. '.join(words)}.",
        draw=lambda: _draw(found, song),
        head=("mic", "from, s", "to, s", "delay, ms", "polarity", "drift, ppm"),
        rows=tuple(rows),
    )


def _draw(found: Sequence[_Unsteady], song: Song) -> Any:
    heights = [height for one in found for height in ([1.3, 0.7] if one.strays else [1.3])]
    figure, axes = panels(heights)
    left = list(axes)
    for one in found:
        _draw_delay(left.pop(0), one, song.rate)
        if one.strays:
            _draw_level(left.pop(0), one)
    axes[-1].set_xlim(0.0, samples_to_s(song.frames, song.rate))
    axes[-1].set_xlabel("time in s")
    legend(axes[0], 3)
    return figure


def _draw_delay(panel: Any, one: _Unsteady, rate: int) -> None:
    """Points by polarity, with their spread; the passages as lines."""
    trail = one.trail
    for sign, marker, face, label in ((1, "o", "ink", "polarity normal"), (-1, "s", "paper", "inverted")):
        here = [k for k, own in enumerate(trail.polarity) if own == sign]
        panel.errorbar(
            [trail.times_s[k] for k in here],
            [samples_to_ms(trail.delay_samples[k], rate) for k in here],
            yerr=[samples_to_ms(trail.spread_samples[k], rate) for k in here],
            linestyle="none",
            marker=marker,
            markersize=3.0,
            color=colour("ink"),
            markerfacecolor=colour(face),
            elinewidth=0.6,
            label=label,
        )
    for number, passage in enumerate(one.passages):
        ends = passage.delay_samples, passage.at(passage.to_s, rate)
        panel.plot(
            (passage.from_s, passage.to_s),
            [samples_to_ms(end, rate) for end in ends],
            color=colour("aligned"),
            linewidth=1.6,
            label=None if number else "applied",
        )
        if number:
            panel.axvline(passage.from_s, color=colour("recorded"), linewidth=0.8, linestyle=(0.0, (4.0, 1.5)))
    low, high = panel.get_ylim()
    least = samples_to_ms(1.0, rate)
    if math.isfinite(low) and high - low < least:  # a turn of polarity alone: no zoom into thousandths of a sample
        middle = 0.5 * (low + high)
        panel.set_ylim(middle - least, middle + least)
    panel.set(title=f"{one.mic.name}: delay", ylabel="ms late")


def _draw_level(panel: Any, one: _Unsteady) -> None:
    levels = [min(_HIGHEST_DB, max(_LOWEST_DB, db)) for db in one.trail.level_db]
    panel.plot(one.trail.times_s, levels, color=colour("rust"), marker="o", markersize=2.5)
    panel.set(title=f"{one.mic.name}: level against the others", ylabel="dB")
