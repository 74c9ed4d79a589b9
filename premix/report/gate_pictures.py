"""The gate over the riff: the key's level, the threshold, the gain of each room mic, and its level before and after."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from premix.arrays import FloatArray
from premix.measures.peaks import rms_to_dbfs
from premix.model.gate import Riff, RoomGate
from premix.model.mix import MicPath
from premix.model.run import FinishedRun
from premix.report.drawing import colour, legend, panels
from premix.report.excerpt import GatedExcerpt, MicExcerpt, Stream
from premix.report.facts import NOTHING
from premix.report.pictures import Material, Picture, db
from premix.report.window import Window, busiest_window, key_level_db
from premix.units import ms_to_samples

SECONDS = 8.0
"""So much of the song is drawn: single stops can still be told apart."""
_POINTS = 900
_STEP_MS = 10.0
_FLOOR_DBFS = -120.0
_MOST_COLUMNS = 16


def gate_pictures(material: Material) -> Iterator[Picture]:
    """One picture a room mic that is mixed."""
    run = material.run
    window = busiest_window(run.gating, run.tracks.rate, run.tracks.frames, SECONDS)
    for plan in run.plan.performances:
        for path in plan.rooms:
            yield _picture(run, window, path, run.gating.room_of(plan.performance, path.track.mic))


def _picture(run: FinishedRun, window: Window, path: MicPath, room: RoomGate) -> Picture:
    riff = run.gating.riff_of(room.performance)
    begin, end = window.seconds(run.tracks.rate)
    opened = [span for span in room.open if span[1] > begin and span[0] < end]
    played = [span for span in riff.spans if span[1] > begin and span[0] < end]
    more = max(0, len(opened) - _MOST_COLUMNS)
    inside = [_played(played, on, off) for on, off in opened[:_MOST_COLUMNS]]
    share = sum(min(b, end) - max(a, begin) for a, b in opened) / max(1e-9, end - begin)
    only = f"; the table has the first {_MOST_COLUMNS}" if more else ""
    return Picture(
        name=f"gate_{room.performance}_{room.mic}",
        title=f"{room.performance}: {room.mic} mic, {_mode(room)}",
        text=f"Level of the key against the loud level from {begin:.2f} to {end:.2f} s, the threshold at "
        f"{db(room.threshold_db)} dB, the gain of the room mic, and its level before and after. It is open "
        f"{100 * share:.0f} % of this time, in {len(opened)} stretches{only}.",
        draw=lambda: _draw(run, window, path, room, riff),
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


def _draw(run: FinishedRun, window: Window, path: MicPath, room: RoomGate, riff: Riff) -> Any:
    figure, (top, middle, bottom) = panels([1.2, 0.55, 0.9])
    begin, end = window.seconds(run.tracks.rate)
    for panel in (top, middle, bottom):
        for on, off in room.open:
            if off > begin and on < end:
                panel.axvspan(max(on, begin), min(off, end), color=colour("open"), linewidth=0)
        panel.set_ylabel("dB")
    times, level = key_level_db(run, room.performance, window, _POINTS)
    top.plot(times, np.maximum(level - riff.loud_db, -80.0), color=colour("plum"), linewidth=0.9, label="key")
    top.axhline(
        room.threshold_db,
        color=colour("rust"),
        linestyle=(0.0, (4.0, 2.0)),
        linewidth=1.0,
        label=f"threshold {db(room.threshold_db)} dB",
    )
    top.set(title="key against its loud level", ylim=(-82, 8), yticks=(-80, -60, -40, -20, 0))
    legend(top, 2)
    _draw_gain(middle, room, window, run.tracks.rate)
    before, after = room_levels_dbfs(path, run.tracks.rate, window)
    steps = begin + (np.arange(len(before)) + 0.5) * _STEP_MS / 1000.0
    bottom.plot(steps, before, color=colour("recorded"), linewidth=1.0, linestyle=(0.0, (4.0, 2.0)), label="before")
    bottom.plot(steps, after, color=colour("aligned"), linewidth=1.0, label="after")
    bottom.set(title="room mic, dBFS", xlim=(begin, end))
    bottom.set_xlabel("time in s; shaded: open")
    legend(bottom, 2)
    return figure


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


def room_levels_dbfs(path: MicPath, rate: int, window: Window) -> tuple[FloatArray, FloatArray]:
    """RMS level in dBFS (AES17) of a room mic before and after its gate, in steps of 10 ms."""
    step = round(ms_to_samples(_STEP_MS, rate))
    return (
        _levels_dbfs(MicExcerpt(path, rate, window.start, aligned=True), window.frames // step, step),
        _levels_dbfs(GatedExcerpt(path, rate, window.start), window.frames // step, step),
    )


def _levels_dbfs(stream: Stream, steps: int, step: int) -> FloatArray:
    try:
        samples = stream.next(steps * step).reshape(steps, step)
    finally:
        stream.close()
    rms = np.sqrt(np.mean(samples**2, axis=1))
    return np.array([max(_FLOOR_DBFS, rms_to_dbfs(float(value))) for value in rms])
