"""The gate over the riff: the key's level, the threshold, and when each room mic is open."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from premix.model.gate import Riff, RoomGate
from premix.report.drawing import legend, panels
from premix.report.facts import NOTHING
from premix.report.figures.picture import Material, Picture, db
from premix.report.palette import colour
from premix.report.window import key_level_db

_POINTS = 900
_MOST_COLUMNS = 16


def pictures(material: Material) -> Iterator[Picture]:
    """One picture a room mic that is mixed."""
    for plan in material.run.plan.performances:
        for path in plan.rooms:
            yield _picture(material, material.run.gating.room_of(plan.performance, path.track.mic))


def _picture(material: Material, room: RoomGate) -> Picture:
    riff = material.run.gating.riff_of(room.performance)
    begin, end = material.window.seconds(material.run.tracks.rate)
    opened = [span for span in room.open if span[1] > begin and span[0] < end]
    played = [span for span in riff.spans if span[1] > begin and span[0] < end]
    more = max(0, len(opened) - _MOST_COLUMNS)
    inside = [_played(played, on, off) for on, off in opened[:_MOST_COLUMNS]]
    share = sum(min(b, end) - max(a, begin) for a, b in opened) / max(1e-9, end - begin)
    return Picture(
        name=f"gate_{room.performance}_{room.mic}",
        title=f"{room.performance}: {room.mic} mic, {_mode(room)}",
        text=f"Level of the key against the loud level from {begin:.2f} to {end:.2f} s, the threshold at "
             f"{db(room.threshold_db)} dB, and the gain of the room mic. It is open {100 * share:.0f} % of this time, "
             f"in {len(opened)} stretches{f'; the table has the first {_MOST_COLUMNS}' if more else ''}.",
        draw=lambda: _draw(material, room, riff),
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


def _draw(material: Material, room: RoomGate, riff: Riff) -> Any:
    rate, window = material.run.tracks.rate, material.window
    figure, (top, bottom) = panels([1.25, 0.65])
    times, level = key_level_db(material.run, room.performance, window, _POINTS)
    begin, end = window.seconds(rate)
    for panel in (top, bottom):
        for on, off in room.open:
            if off > begin and on < end:
                panel.axvspan(max(on, begin), min(off, end), color=colour("open"), linewidth=0)
    top.plot(times, np.maximum(level - riff.loud_db, -80.0), color=colour("plum"), linewidth=0.9, label="key")
    top.axhline(room.threshold_db, color=colour("rust"), linestyle=(0.0, (4.0, 2.0)), linewidth=1.0,
                label=f"threshold {db(room.threshold_db)} dB")
    top.set(title="key against its loud level", ylim=(-82, 8), yticks=(-80, -60, -40, -20, 0))
    top.set_ylabel("dB")
    positions = np.linspace(window.start, window.start + window.frames, 4 * _POINTS)
    corners = room.curve.positions[
        (room.curve.positions > window.start) & (room.curve.positions < window.start + window.frames)]
    positions = np.union1d(corners, positions if room.mode == "follow" else positions[[0, -1]])
    gain = np.interp(positions, room.curve.positions, room.curve.gains_db)
    bottom.plot(positions / rate, gain, color=colour("aligned"), linewidth=1.0)
    lowest = min(-6.0, float(room.curve.gains_db.min()))
    bottom.set(title="gain of the room mic", ylim=(1.1 * lowest, -0.1 * lowest), xlim=(begin, end),
               yticks=(lowest, lowest / 2, 0.0))
    bottom.set_ylabel("dB")
    bottom.set_xlabel("time in s; shaded: open")
    legend(top, 2)
    return figure
