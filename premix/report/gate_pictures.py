"""The gate over the riff: the key's level, the threshold, the gain of each room mic, and its level before and after."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from premix.arrays import FloatArray
from premix.gate.rooms import key_of
from premix.measures.peaks import rms_to_dbfs
from premix.mixdown.render import Excerpt
from premix.model.gate import KeyLevels, RoomGate
from premix.model.mix import MixPlan, PerformancePlan, Rendered
from premix.model.settings import Gate
from premix.model.song import Mic, Performance, Song
from premix.report.drawing import NOTHING, colour, legend, panels, written
from premix.report.pictures import Picture, bare_mix, mixed_performances
from premix.report.window import Window, busiest_window, window_around
from premix.units import gain_to_db, ms_to_samples

SECONDS = 8.0
"""So much of the song is drawn: single stops can still be told apart."""
_POINTS = 900
_STEP_MS = 10.0
_FLOOR_DBFS, _LOWEST_DB = -120.0, -80.0
_MOST_COLUMNS = 16


@dataclass(frozen=True, slots=True)
class _Shown:
    """What is drawn of one room mic: the stretch, and its level in dBFS before and after the gate, step by step."""

    song: Song
    performance: Performance
    gate: Gate
    room: RoomGate
    window: Window
    before: FloatArray
    after: FloatArray


def gate_pictures(rendered: Rendered) -> Iterator[Picture]:
    """One picture a room mic that is mixed; first those that are shut while the guitar sounds, there where it is lost,
    then those that the gate makes least quieter in the stops."""
    shown = [
        (mic, plan.room_label(path.track.mic), performance)
        for performance, plan in mixed_performances(rendered)
        for mic, path in zip(_mixed_rooms(performance, plan), plan.rooms, strict=True)
    ]
    quiet_db = {(q.performance, q.mic): q.reduction_db or 0.0 for q in rendered.rendering.room_quiet}
    shown.sort(key=lambda one: (-one[0].room.lost_s, quiet_db.get((one[0].performance, one[0].name), 0.0)))
    levels: dict[Window, dict[str, tuple[FloatArray, FloatArray]]] = {}
    for mic, label, performance in shown:
        window = _window(rendered.song, mic.room)
        if window not in levels:
            levels[window] = room_levels_dbfs(rendered.plan, window)
        before, after = levels[window][label]
        gate = mic.gate or rendered.song.gate
        picture = _picture(_Shown(rendered.song, performance, gate, mic.room, window, before, after))
        yield replace(picture, apart=bool(mic.room.lost))


def _mixed_rooms(performance: Performance, plan: PerformancePlan) -> list[Mic]:
    heard = {path.track.mic for path in plan.rooms}
    return [mic for mic in performance.rooms if mic.name in heard]


def _window(song: Song, room: RoomGate) -> Window:
    """Around the longest stretch in which the guitar is lost, or the busiest of the song."""
    if not room.lost:
        return busiest_window(song, SECONDS)
    on, off = max(room.lost, key=lambda span: span[1] - span[0])
    return window_around(0.5 * (on + off), song, SECONDS)


def _picture(shown: _Shown) -> Picture:
    room, riff = shown.room, shown.performance.riff
    begin, end = shown.window.seconds(shown.song.rate)
    opened = [span for span in room.open if span[1] > begin and span[0] < end]
    played = [span for span in riff.spans if span[1] > begin and span[0] < end]
    more = max(0, len(opened) - _MOST_COLUMNS)
    inside = [_played(played, on, off) for on, off in opened[:_MOST_COLUMNS]]
    share = sum(min(b, end) - max(a, begin) for a, b in opened) / max(1e-9, end - begin)
    only = f"; the table has the first {_MOST_COLUMNS}" if more else ""
    return Picture(
        name=f"gate_{room.performance}_{room.mic}",
        title=f"{room.performance}: {room.mic} mic, {_mode(room)}",
        text=f"Level of the key against the loud level from {begin:.2f} to {end:.2f} s, with the loud level and the "
        f"floor around and {_threshold(room, begin, end, riff.loud_db)}, the gain of the room mic, and its level "
        f"before and after. It is open {100 * share:.0f} % of this time, in {len(opened)} stretches{only}.",
        draw=lambda: _draw(shown),
        head=("stretch", *(str(number + 1) for number in range(len(inside)))),
        rows=(
            ("open from, s", *(f"{on:.3f}" for on, _ in opened[:_MOST_COLUMNS])),
            ("riff from, s", *(on for on, _ in inside)),
            ("riff to, s", *(off for _, off in inside)),
            ("open to, s", *(f"{off:.3f}" for _, off in opened[:_MOST_COLUMNS])),
        ),
    )


def _mode(room: RoomGate) -> str:
    return {"gate": "gated by the riff", "follow": "following the riff", "off": "not gated"}.get(room.mode, room.mode)


def _played(played: list[tuple[float, float]], on: float, off: float) -> tuple[str, str]:
    """First start and last stop of what is played while the room is open."""
    inside = [span for span in played if span[1] > on and span[0] < off]
    return (f"{inside[0][0]:.3f}", f"{inside[-1][1]:.3f}") if inside else (NOTHING, NOTHING)


def _draw(shown: _Shown) -> Any:
    room, riff = shown.room, shown.performance.riff
    figure, (top, middle, bottom) = panels([1.2, 0.55, 0.9])
    begin, end = shown.window.seconds(shown.song.rate)
    for panel in (top, middle, bottom):
        for on, off in room.open:
            if off > begin and on < end:
                panel.axvspan(max(on, begin), min(off, end), color=colour("open"), linewidth=0)
        panel.set_ylabel("dB")
    times, level = key_level_db(shown.performance, shown.gate, shown.window, _POINTS)
    top.plot(times, np.maximum(level - riff.loud_db, _LOWEST_DB), color=colour("plum"), linewidth=0.9, label="key")
    _draw_levels(top, room.levels, times, riff.loud_db)
    top.set(title="key against its loud level", ylim=(-82, 8), yticks=(-80, -60, -40, -20, 0))
    legend(top, 4)
    _draw_gain(middle, room, shown.window, shown.song.rate)
    steps = begin + (np.arange(len(shown.before)) + 0.5) * _STEP_MS / 1000.0
    dashes = (0.0, (4.0, 2.0))
    bottom.plot(steps, shown.before, color=colour("recorded"), linewidth=1.0, linestyle=dashes, label="before")
    bottom.plot(steps, shown.after, color=colour("aligned"), linewidth=1.0, label="after")
    bottom.set(title="room mic, dBFS", xlim=(begin, end))
    bottom.set_xlabel("time in s; shaded: open")
    legend(bottom, 2)
    return figure


def _threshold(room: RoomGate, begin: float, end: float, loud_db: float) -> str:
    """What opens the room from `begin` to `end`, in words."""
    if room.levels is None:
        return f"the threshold at {written(room.threshold_db)} dB"
    at = np.linspace(begin, end, round(end - begin) + 2)
    opens = np.interp(at, room.levels.at_s, room.levels.opens_db) - loud_db
    lowest, highest = (written(float(each)) for each in (opens.min(), opens.max()))
    return f"the threshold at {lowest} dB" if lowest == highest else f"the threshold from {lowest} to {highest} dB"


def _draw_levels(panel: Any, levels: KeyLevels | None, times: FloatArray, loud_db: float) -> None:
    """The loud level and the floor that the gate follows, and what opens it."""
    if levels is None:
        return
    for name, values, ink, dashes in (
        ("loud around", levels.loud_db, "aligned", (6.0, 1.5)),
        ("threshold", levels.opens_db, "rust", (4.0, 2.0)),
        ("floor", levels.floor_db, "recorded", (1.0, 1.5)),
    ):
        followed = np.maximum(np.interp(times, levels.at_s, values) - loud_db, _LOWEST_DB)
        panel.plot(times, followed, color=colour(ink), linestyle=(0.0, dashes), linewidth=1.0, label=name)


def _draw_gain(panel: Any, room: RoomGate, window: Window, rate: int) -> None:
    stop = window.start + window.frames
    positions = np.linspace(window.start, stop, 4 * _POINTS)
    near = room.curve.between(window.start, stop)
    corners = near.positions[(near.positions > window.start) & (near.positions < stop)]
    positions = np.union1d(corners, positions if room.mode == "follow" else positions[[0, -1]])
    gain = np.interp(positions, near.positions, near.gains_db)
    panel.plot(positions / rate, gain, color=colour("aligned"), linewidth=1.0)
    lowest = min(-6.0, float(room.curve.gains_db.min()))
    panel.set(title="gain of the room mic", ylim=(1.1 * lowest, -0.1 * lowest), yticks=(lowest, lowest / 2, 0.0))


def key_level_db(performance: Performance, gate: Gate, window: Window, points: int) -> tuple[FloatArray, FloatArray]:
    """(time in s, level in dB) of the key of a gate over a window: the highest level of each of `points` steps.

    The key as the gate hears it but for its smoothing and the mics' delays, which are less than a step.
    """
    envelopes, weights, _ = key_of(performance, gate)
    first, last = window.start // envelopes.hop, (window.start + window.frames) // envelopes.hop
    key = weights @ np.sqrt(envelopes.read(first, last), dtype=np.float64)
    cuts = np.unique(np.linspace(0, len(key), min(points, max(1, len(key))) + 1).astype(int)[:-1])
    highest = np.maximum.reduceat(key, cuts) if len(key) else np.zeros(0)
    times = (first + cuts[: len(highest)]) * envelopes.hop / envelopes.rate
    return times, np.array([gain_to_db(float(value)) for value in highest])


def room_levels_dbfs(plan: MixPlan, window: Window) -> dict[str, tuple[FloatArray, FloatArray]]:
    """RMS level in dBFS (AES17) of every room mic, by its label, before and after its gate, in steps of 10 ms."""
    labels = [performance.room_label(path.track.mic) for performance in plan.performances for path in performance.rooms]
    step = round(ms_to_samples(_STEP_MS, plan.rate))
    steps = window.frames // step
    levels = {part: np.zeros(steps) for label in labels for part in (f"room_ungated_{label}", f"room_{label}")}
    if labels:
        with Excerpt(bare_mix(plan, room_chains=True), tuple(levels), window.start) as excerpt:
            for n in range(steps):
                for part, samples in excerpt.next(step).items():
                    rms = float(np.sqrt(np.mean(samples**2)))
                    levels[part][n] = max(_FLOOR_DBFS, rms_to_dbfs(rms))
    return {label: (levels[f"room_ungated_{label}"], levels[f"room_{label}"]) for label in labels}
