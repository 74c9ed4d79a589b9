"""The gate stage: when each performance plays, and the gain curve of each of its room mics."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from premix.arrays import FloatArray
from premix.errors import Finding
from premix.gate.curves import follow_curve, open_spans, room_curve, union
from premix.gate.key import Key
from premix.gate.riff import find_riff, riff_findings
from premix.model.gate import OPEN, Curve, Riff, RoomGate
from premix.model.settings import Gate
from premix.model.song import Mic, Performance, Song


def decide_gates(song: Song) -> Song:
    """Find every performance's riff and decide the gate of every room mic: the song with both.

    A room whose key holds nothing (no close mic is in the sum, or all are silent) stays open: what is missing
    is no reason to lose the room, and a finding says so.
    """
    gates = _Gates(song)
    performances = tuple(
        replace(
            performance,
            riff=gates.riff(performance, song.gate),
            mics=tuple(replace(m, room=gates.room(performance, m)) if m.is_room else m for m in performance.mics),
        )
        for performance in song.performances
    )
    song = replace(song, performances=performances)
    return song.tell(*_findings(song))


def _findings(song: Song) -> Iterator[Finding]:
    """What is worth knowing of the riffs that open a room, and of rooms that hear them at an unknown time."""
    gated = [(p, [mic for mic in p.rooms if mic.room.mode != "off"]) for p in song.performances]
    for performance, rooms in gated:
        if rooms:
            key = performance.envelopes
            yield from riff_findings(performance.riff, key.frames * (key.hop / key.rate))
    for mic in (mic for _, rooms in gated for mic in rooms if mic.arrival_samples is None):
        what = "when the riff reaches the room mic could not be found; its gate opens and shuts with the close mics"
        yield Finding("gate-arrival-unknown", "info", mic.label, what)


def key_weights(performance: Performance) -> tuple[FloatArray, FloatArray]:
    """(weights, shifts) of the close mics of one performance's key: linear gain in the sum, samples of advance.

    Mics that are not summed weigh nothing. Neither do sub mics, while a close mic is there: they ring on
    after a stop and hear the kick drum best.
    """
    mics = performance.close
    heard = [mic for mic in mics if mic.decision.summed]
    used = [mic for mic in heard if mic.role == "close"] or heard
    weights = [mic.gain if mic in used else 0.0 for mic in mics]
    return np.array(weights), np.array([mic.decision.delay_samples for mic in mics])


class _Gates:
    """The gates of one song. Riffs are found once for each performance, threshold and hysteresis."""

    def __init__(self, song: Song) -> None:
        self._song = song
        self._keys = {p.name: (p.envelopes, *key_weights(p)) for p in song.performances}
        self._riffs: dict[tuple[str, str | float, float], Riff] = {}

    def riff(self, performance: Performance, gate: Gate) -> Riff:
        asked = (performance.name, gate.threshold_db, gate.hysteresis_db)
        if asked not in self._riffs:
            self._riffs[asked] = find_riff(*self._keys[performance.name], gate)
        return self._riffs[asked]

    def room(self, performance: Performance, mic: Mic) -> RoomGate:
        """The gate of one room mic, with its own settings."""
        gate = mic.gate
        assert gate is not None, "a room mic has its gate's settings"
        curve = self._curve(performance, mic, gate)
        spans = open_spans(curve, gate, rate=self._song.rate, frames=self._song.frames)
        threshold = self.riff(performance, gate).threshold_db
        return RoomGate(performance.name, mic.name, gate.mode, threshold, spans, curve)

    def _curve(self, performance: Performance, mic: Mic, gate: Gate) -> Curve:
        if gate.mode == "off":
            return OPEN
        keys = [performance] if gate.key == "performance" else [p for p in self._song.performances if not p.mute]
        riffs = [riff for riff in (self.riff(p, gate) for p in keys) if riff.spans]
        if not riffs:
            return OPEN
        rate, frames, arrival = self._song.rate, self._song.frames, mic.arrival_samples or 0.0
        if gate.mode == "follow":
            heard = [(Key(*self._keys[r.performance]), r.loud_db + r.threshold_db) for r in riffs]
            return follow_curve(heard, gate, rate=rate, frames=frames, arrival_samples=arrival)
        spans = union(span for riff in riffs for span in riff.spans)
        return room_curve(spans, gate, rate=rate, frames=frames, arrival_samples=arrival)
