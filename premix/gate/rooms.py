"""The gate stage: when each performance plays, and the gain curve of each of its room mics and gated close mics."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from premix.arrays import FloatArray
from premix.errors import Finding, listed
from premix.gate.curves import follow_curve, open_spans, room_curve, union
from premix.gate.first_sound import first_sound_samples
from premix.gate.key import Key
from premix.gate.riff import find_riff, riff_findings
from premix.model.gate import OPEN, Curve, Riff, RoomGate, Span
from premix.model.settings import Gate
from premix.model.song import Mic, Performance, Song
from premix.model.tracks import KeyEnvelopes
from premix.units import ms_to_samples, samples_to_s

LOST_S, LATE_S, SHOWN = 0.5, 0.05, 3
"""A room that is shut for longer than 0.5 s while its guitar sounds, or opens 50 ms late, is told with three places."""
SLIGHT_S = 0.02
"""Less than this is the ramps' own."""


def decide_gates(song: Song) -> Song:
    """Find every performance's riff and decide the gate of every room mic and gated close mic: the song with them.

    A room whose key holds nothing (no close mic is in the sum, or all are silent) stays open: what is missing
    is no reason to lose the room, and a finding says so.
    """
    gates = _Gates(song)
    performances = tuple(
        replace(
            performance,
            riff=gates.riff(performance, song.gate),
            mics=tuple(gates.gated(performance, mic) for mic in performance.mics),
        )
        for performance in song.performances
    )
    song = replace(song, performances=performances)
    return song.tell(*_findings(song))


def _findings(song: Song) -> Iterator[Finding]:
    """What is worth knowing of the riffs that open a room, and of rooms that hear them at an unknown time."""
    gated = [(p, [mic for mic in p.rooms if mic.room.mode != "off"]) for p in song.performances]
    song_s = samples_to_s(song.frames, song.rate)
    for performance, rooms in gated:
        gates = any(mic.stem_curve is not None for mic in performance.mics)
        if rooms or gates:
            yield from riff_findings(performance.riff, song_s)
            yield from _outside(performance, song_s)
        for mic in rooms:
            yield from _lost(performance.riff, mic)
        if not performance.dis and any(mic.gate is not None and mic.gate.key == "di" for mic in rooms):
            yield Finding("gate-no-di", "warning", performance.name, "it has no DI; its close mics are the key")
    for mic in (mic for _, rooms in gated for mic in rooms if mic.arrival_samples is None):
        what = "when the riff reaches the room mic could not be found; its gate opens and shuts with the close mics"
        yield Finding("gate-arrival-unknown", "info", mic.label, what)


def _outside(performance: Performance, song_s: float) -> Iterator[Finding]:
    """Spans by hand that lie beyond the song."""
    beyond = [span for span in performance.spans or () if span[1] > song_s + 1e-6]
    if beyond:
        what = f"{_places(beyond)} of its gate's spans end after the song, which is {song_s:.2f} s long"
        yield Finding("gate-spans-outside", "warning", performance.name, what)


def _lost(riff: Riff, mic: Mic) -> Iterator[Finding]:
    """Where the guitar sounds and the room is shut."""
    starts = {on for on, _ in riff.heard}
    stops = {off for _, off in riff.heard}
    late = [s for s in mic.room.lost if s[0] in starts and s[1] not in stops and s[1] - s[0] >= LATE_S]
    shut = [s for s in mic.room.lost if s not in late and s[1] - s[0] > LOST_S]
    if shut:
        what = f"it is shut while the guitar sounds: {_places(shut)}"
        yield Finding("gate-room-lost", "warning", mic.label, what, at_s=shut[0][0], size=_seconds(shut))
    if late:
        what = f"it opens after the guitar has begun: {_places(late)}"
        yield Finding("gate-opens-late", "warning", mic.label, what, at_s=late[0][0], size=_seconds(late))


def _seconds(spans: list[Span]) -> float:
    return sum(off - on for on, off in spans)


def _places(spans: list[Span]) -> str:
    """The first of some spans in words, and how many more there are."""
    return listed((f"{on:.2f} to {off:.2f} s" for on, off in spans), SHOWN)


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


def key_of(performance: Performance, gate: Gate) -> tuple[KeyEnvelopes, FloatArray, FloatArray]:
    """(envelopes, weights, shifts) of the key that a gate asks for; a DI is taken to the time of the close mics."""
    if gate.key == "di" and performance.dis:
        envelopes = performance.di_envelopes
        late = [ms_to_samples(mic.match.late_ms, envelopes.rate) for mic in performance.dis]
        return envelopes, np.ones(len(late)), np.array(late)
    return performance.envelopes, *key_weights(performance)


class _Gates:
    """The gates of one song. Riffs are found once for each performance and what decides on them."""

    def __init__(self, song: Song) -> None:
        self._song = song
        self._riffs: dict[tuple[str, str | float, float, str, bool], Riff] = {}

    def riff(self, performance: Performance, gate: Gate) -> Riff:
        asked = (performance.name, gate.threshold_db, gate.hysteresis_db, gate.open_for, gate.key == "di")
        if asked not in self._riffs:
            agreed = None if gate.key == "di" and performance.dis else performance.agreed
            self._riffs[asked] = find_riff(*key_of(performance, gate), gate, self._by_hand(performance), agreed)
        return self._riffs[asked]

    def _by_hand(self, performance: Performance) -> tuple[Span, ...] | None:
        """Spans by hand, as far as they lie in the song."""
        song_s = samples_to_s(self._song.frames, self._song.rate)
        if performance.spans is None:
            return None
        return tuple((on, min(off, song_s)) for on, off in performance.spans if on < song_s)

    def gated(self, performance: Performance, mic: Mic) -> Mic:
        """A mic with its gate, if it is one that has one."""
        if mic.is_room:
            return replace(mic, room=self._room(performance, mic))
        if mic.stem_gate is None or mic.stem_gate.mode == "off":
            return mic
        return replace(mic, stem_curve=self._curve(performance, mic.stem_gate, 0.0, 0.0))

    def _room(self, performance: Performance, mic: Mic) -> RoomGate:
        """The gate of one room mic, with its own settings."""
        gate, song = mic.gate, self._song
        assert gate is not None, "a room mic has its gate's settings"
        arrival, first = mic.arrival_samples or 0.0, first_sound_samples(performance, mic, song.rate)
        first = arrival if first is None else first - mic.decision.delay_samples
        curve = self._curve(performance, gate, arrival, first)
        spans = open_spans(curve, gate, rate=song.rate, frames=song.frames)
        riff = self.riff(performance, gate)
        late_s = samples_to_s(arrival, song.rate)
        lost = tuple(_left_out(riff.heard, [(on - late_s, off - late_s) for on, off in spans]))
        shuts = gate.mode == "gate" and not gate.invert
        lost = lost if shuts and riff.spans else ()
        return RoomGate(performance.name, mic.name, gate.mode, riff.threshold_db, spans, curve, lost, riff.levels)

    def _curve(self, performance: Performance, gate: Gate, arrival: float, first: float) -> Curve:
        if gate.mode == "off":
            return OPEN
        keys = [p for p in self._song.performances if not p.mute] if gate.key == "all" else [performance]
        riffs = [riff for riff in (self.riff(p, gate) for p in keys) if riff.spans]
        if not riffs:
            return OPEN
        rate, frames = self._song.rate, self._song.frames
        if gate.mode == "follow":
            by_name = {p.name: p for p in keys}
            heard = [(Key(*key_of(by_name[r.performance], gate)), r.loud_db + r.threshold_db) for r in riffs]
            return follow_curve(heard, gate, rate=rate, frames=frames, arrival_samples=first)
        spans = union(span for riff in riffs for span in riff.spans)
        return room_curve(spans, gate, rate=rate, frames=frames, arrival_samples=arrival, first_samples=first)


def _left_out(heard: tuple[Span, ...], opened: list[Span]) -> Iterator[Span]:
    """The stretches of `heard` that no span of `opened` covers, longer than SLIGHT_S; both are in order."""
    number = 0
    for on, off in heard:
        while number < len(opened) and opened[number][1] <= on:
            number += 1
        at, k = on, number
        while k < len(opened) and opened[k][0] < off:
            if opened[k][0] - at > SLIGHT_S:
                yield at, opened[k][0]
            at = max(at, opened[k][1])
            k += 1
        if off - at > SLIGHT_S:
            yield at, off
