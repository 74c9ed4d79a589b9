"""What the first screen of a song's page says: the song in figures, and its time line, a lane a performance.

The time line is plain SVG paths in a box of 1000 by 24 that stretches with the page; what a script tells of a place in
the song lies beside it as numbers.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from premix.model.findings import FindingEntry
from premix.model.gate import Span
from premix.model.manifest import Manifest
from premix.model.mix import Rendered
from premix.model.song import Performance, Song
from premix.report.gate_pictures import key_level_db
from premix.report.window import Window
from premix.units import clock, samples_to_s

LANE_WIDTH, LANE_HEIGHT = 1000.0, 24.0
_LEVEL_POINTS = 300
_LOWEST_DB = -48.0
_RIFF_Y, _ROOM_Y, _BAR = 20.0, 14.5, 4.0
_MOST_TICKS = 8
_TICKS_S = (0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0)
MOST_SPANS = 20_000
"""Of all performances together: beyond it a script tells nothing of a place, and the page says so."""
SAFE_FOLD_DB = -3.5
"""Unrelated sides lose 3.0 dB in mono; half a dB more, and they begin to cancel. Ours, no source; where the recipe has
a limit of its own, that one counts."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that was seen at a place of a performance: where, in percent of the song, and in words."""

    at_s: float
    percent: str
    words: str


@dataclass(frozen=True, slots=True)
class Lane:
    """One performance on the time line. level, riff, room: paths. said: the same in words. worst_s: where the sum is
    least in phase."""

    name: str
    level: str
    riff: str
    room: str
    marks: tuple[Mark, ...]
    said: str
    worst_s: float | None


@dataclass(frozen=True, slots=True)
class Overview:
    """The time line: ticks are (percent, text). data: for the script, plain."""

    seconds: float
    lanes: tuple[Lane, ...]
    ticks: tuple[tuple[str, str], ...]
    data: dict[str, Any]


def overview_of(rendered: Rendered, document: Manifest) -> Overview:
    """The song's time line with every performance's riff, gates, level and whatever was seen in it."""
    song = rendered.song
    seconds = samples_to_s(song.frames, song.rate)
    lanes = tuple(_lane(song, performance, document.findings, seconds) for performance in song.performances)
    return Overview(seconds, lanes, tuple(_ticks(seconds)), _data(song, seconds))


def _lane(song: Song, performance: Performance, entries: Sequence[FindingEntry], seconds: float) -> Lane:
    marks = tuple(_marks(performance.name, entries, seconds))
    opened, worst = _opened(performance), performance.efficiency.worst_passage_s
    riff = performance.riff.spans
    said = f"{performance.name}: plays {_total(riff):.1f} s of {seconds:.1f} s in {len(riff)} passages"
    said += "; no room mic" if opened is None else f"; its room is open {_total(opened):.1f} s"
    said += "".join(f"; {mark.words}" for mark in marks)
    return Lane(
        performance.name,
        _level(song, performance),
        _bars(riff, seconds, _RIFF_Y),
        _bars(opened or (), seconds, _ROOM_Y),
        marks,
        said,
        None if worst is None else worst[0],
    )


def _total(spans: Iterable[Span]) -> float:
    return sum(off - on for on, off in spans)


def _opened(performance: Performance) -> tuple[Span, ...] | None:
    """When any room mic of a performance is open; None where it has none in the mix."""
    rooms = [mic.room for mic in performance.rooms if mic.decision.summed]
    if not rooms:
        return None
    joined: list[Span] = []
    for on, off in sorted(span for room in rooms for span in room.open):
        if joined and on <= joined[-1][1]:
            joined[-1] = joined[-1][0], max(off, joined[-1][1])
        else:
            joined.append((on, off))
    return tuple(joined)


def _marks(performance: str, entries: Sequence[FindingEntry], seconds: float) -> Iterator[Mark]:
    """What was seen at a place of this performance, the costliest first."""
    for entry in entries:
        for seen in entry.all:
            if seen.at_s is not None and seen.subject.split("/")[0] == performance:
                words = f"{clock(seen.at_s)} {seen.subject}: {entry.kind or entry.slug}"
                yield Mark(seen.at_s, _percent(seen.at_s, seconds), words)


def _percent(at_s: float, seconds: float) -> str:
    return f"{100.0 * min(max(at_s / max(seconds, 1e-9), 0.0), 1.0):.2f}%"


def _bars(spans: Sequence[Span], seconds: float, y: float) -> str:
    """A bar a span; what is nearer than a fifth of a unit is drawn as one."""
    scale, drawn = LANE_WIDTH / max(seconds, 1e-9), []
    begin, end = math.inf, -math.inf
    for on, off in spans:
        if on * scale > end + 0.2:
            drawn += [(begin, end)] if end > begin else []
            begin = on * scale
        end = off * scale
    drawn += [(begin, end)] if end > begin else []
    return "".join(f"M{a:.1f} {y:g}h{max(b - a, 0.3):.1f}v{_BAR:g}H{a:.1f}z" for a, b in drawn)


def _level(song: Song, performance: Performance) -> str:
    """The close mics' level as an area, from 48 dB under the loud level up."""
    times, level_db = key_level_db(performance, song.gate, Window(0, song.frames), _LEVEL_POINTS)
    if not len(times):
        return ""
    scale = LANE_WIDTH * song.rate / max(song.frames, 1)
    above = (level_db - performance.riff.loud_db - _LOWEST_DB) / -_LOWEST_DB
    points = [
        f"L{time * scale:.0f} {_ROOM_Y - 1.0 - (_ROOM_Y - 2.0) * min(max(part, 0.0), 1.0):.1f}"
        for time, part in zip(times, above, strict=True)
    ]
    return f"M0 {_ROOM_Y - 1.0:g}{''.join(points)}L{LANE_WIDTH:g} {_ROOM_Y - 1.0:g}z"


def _ticks(seconds: float) -> Iterator[tuple[str, str]]:
    step = next((step for step in _TICKS_S if seconds / step <= _MOST_TICKS), _TICKS_S[-1])
    for number in range(int(seconds / step) + 1):
        if number * step < 0.97 * seconds:
            minutes, rest = divmod(number * step, 60.0)
            text = f"{rest:04.1f}" if step < 1.0 else f"{int(rest):02d}"
            yield _percent(number * step, seconds), f"{int(minutes)}:{text}"


def _data(song: Song, seconds: float) -> dict[str, Any]:
    """When each performance plays and its room is open: [on, off, on, off ...] in seconds; room null: it has none."""
    lanes = [(p.name, p.riff.spans, _opened(p)) for p in song.performances]
    too_many = sum(len(riff) + len(opened or ()) for _, riff, opened in lanes) > MOST_SPANS
    return {
        "seconds": round(seconds, 3),
        "lanes": []
        if too_many
        else [
            {"name": name, "riff": _flat(riff), "room": None if opened is None else _flat(opened)}
            for name, riff, opened in lanes
        ],
    }


def _flat(spans: Sequence[Span]) -> list[float]:
    return [round(edge, 3) for span in spans for edge in span]


def mono_word(document: Manifest, holds: bool | None) -> str:
    """Whether mono can be trusted. holds: the recipe's own limit on it, None where it sets none."""
    if document.mono is None or document.mono.fold_db is None:
        return "not measured"
    safe = document.mono.fold_db >= SAFE_FOLD_DB if holds is None else holds
    return "mono is safe" if safe else "mono loses too much"
