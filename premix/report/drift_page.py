"""Pictures of a set-up over the songs of an album, where every mic stands and how loud it is, song by song; and the
page that `premix setups` writes of them.
"""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from premix.measures.drift import Drift, DriftPoint, MicDrift
from premix.report.drawing import colour, panels, written
from premix.report.html_page import Page
from premix.report.listening import Listening
from premix.report.pictures import Picture, drawn

_MOST_PANELS = 12
_MOST_NAMED = 16
"""So many songs have their names on the axis; of more the numbers stand there."""
_LEAST_MM, _LEAST_DB = 1.0, 0.2
"""No picture zooms in further."""
Figure = Callable[[DriftPoint], tuple[float | None, float | None]]


def drift_pictures(drift: Drift) -> Iterator[Picture]:
    """Place and level of every mic, song by song, up to twelve mics a picture."""
    for first in range(0, len(drift.mics), _MOST_PANELS):
        mics = drift.mics[first : first + _MOST_PANELS]
        number = "" if len(drift.mics) <= _MOST_PANELS else f"_{first // _MOST_PANELS + 1}"
        yield _picture(f"drift_place{number}", "Place", "mm", 1, _LEAST_MM, drift, mics, _moved)
        yield _picture(f"drift_level{number}", "Level", "dB", 2, _LEAST_DB, drift, mics, _level)


def _moved(point: DriftPoint) -> tuple[float | None, float | None]:
    return point.moved_mm, point.moved_within_mm


def _level(point: DriftPoint) -> tuple[float | None, float | None]:
    return point.level_db, point.level_within_db


def _picture(
    name: str, title: str, unit: str, digits: int, least: float, drift: Drift, mics: Sequence[MicDrift], figure: Figure
) -> Picture:
    further = "; up is further from the speaker" if unit == "mm" else ""
    beyond = [
        f"{mic.mic} {written(value, digits, sign=True)} {unit} in {point.song}"
        for mic in mics
        for point in [max(mic.points, key=lambda p: abs(figure(p)[0] or 0.0) - (figure(p)[1] or 0.0))]
        for value, within in [figure(point)]
        if value is not None and within is not None and abs(value) > within
    ]
    said = f"Beyond its error, at most: {', '.join(beyond)}." if beyond else "None is beyond its error."
    return Picture(
        name=name,
        title=f"{title} of each mic against {drift.songs[0]}",
        text=f"{title} in {unit}, song by song{further}; bars are how far a figure may be off. {said}",
        draw=lambda: _draw(drift, mics, figure, unit, least),
        head=("song", *(f"{mic.mic}, {unit}" for mic in mics)),
        rows=tuple(
            (song, *(_cell(*figure(mic.points[at]), digits) for mic in mics)) for at, song in enumerate(drift.songs)
        ),
    )


def _cell(value: float | None, within: float | None, digits: int) -> str:
    if value is None or within is None:
        return written(None)
    return f"{written(value, digits, sign=True)} ± {written(within, digits)}"


def _draw(drift: Drift, mics: Sequence[MicDrift], figure: Figure, unit: str, least: float) -> Any:
    canvas, axes = panels([0.62] * len(mics))
    songs = range(1, len(drift.songs) + 1)
    for panel, mic in zip(axes, mics, strict=True):
        known = [(n, *figure(point)) for n, point in zip(songs, mic.points, strict=True)]
        there = [(n, value, within or 0.0) for n, value, within in known if value is not None]
        panel.axhline(0.0, color=colour("faint"), linewidth=0.8)
        panel.errorbar(
            [n for n, _, _ in there],
            [value for _, value, _ in there],
            yerr=[within for _, _, within in there],
            color=colour("aligned"),
            ecolor=colour("faint"),
            elinewidth=0.8,
            marker="o",
            markersize=3.0,
        )
        most = max([least, *(abs(value) + within for _, value, within in there)])
        panel.set(title=mic.mic, ylabel=unit, ylim=(-1.1 * most, 1.1 * most))
        for at in _changes(drift, mic.mic):
            panel.axvline(at - 0.5, color=colour("rust"), linewidth=0.8, linestyle=(0.0, (4.0, 1.5)))
    if len(drift.songs) <= _MOST_NAMED:
        axes[-1].set_xticks(list(songs), [name[:14] for name in drift.songs], rotation=20, ha="right")
    else:
        axes[-1].set_xlabel("song")
    axes[-1].set_xlim(0.5, len(drift.songs) + 0.5)
    return canvas


def _changes(drift: Drift, mic: str) -> list[int]:
    """Numbers of the songs in which something of this mic, or of all, changed."""
    return sorted({drift.songs.index(c.song) + 1 for c in drift.changes if mic in c.mics or c.reference or not c.mics})


def write_drift_page(drift: Drift, path: Path) -> None:
    """Write the page of a drift to `path`. Needs the extra `report`. Raises DeliveryError where that cannot be done."""
    Page("setups.html", drift, 48000, {"drawn": drawn(drift_pictures(drift))}).write(path, Listening((), (), 0.0, 0.0))
