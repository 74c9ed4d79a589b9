"""The gate stage: when each performance plays, and the gain curve of each of its room mics."""

from collections.abc import Iterable, Sequence

import numpy as np

from premix.arrays import FloatArray
from premix.gate.curves import flat_curve, follow_curve, open_spans, room_curve
from premix.gate.key import Key
from premix.gate.riff import arrival_unknown, find_riff
from premix.model.alignment import Alignment
from premix.model.analysis import Analysis, KeyEnvelopes
from premix.model.finding import Finding
from premix.model.gate import Curve, Gating, Riff, RoomGate, Span
from premix.model.recipe import Gate, Recipe
from premix.model.tracks import TrackSet
from premix.units import db_to_gain


def decide_gates(recipe: Recipe, tracks: TrackSet, analysis: Analysis, alignment: Alignment) -> Gating:
    """Find every performance's riff and decide the gate of every room mic.

    A room whose key holds nothing (no close mic is in the sum, or all are silent) stays open: what is missing
    is no reason to lose the room, and a finding says so.
    """
    gates = _Gates(recipe, tracks, analysis, alignment)
    rooms: list[RoomGate] = []
    findings: list[Finding] = []
    for name in tracks.performances():
        own = [gates.room(name, mic) for mic in gates.room_mics(name)]
        rooms += own
        gated = [room.mic for room in own if room.mode != "off"]
        if gated:
            findings += gates.riff(name, recipe.gate).findings
        findings += [arrival_unknown(name, mic) for mic in gated if gates.arrival(name, mic) is None]
    riffs = tuple(gates.riff(name, recipe.gate) for name in tracks.performances())
    return Gating(riffs, tuple(rooms), tuple(findings))


def key_weights(recipe: Recipe, alignment: Alignment, envelopes: KeyEnvelopes) -> tuple[FloatArray, FloatArray]:
    """(weights, shifts) of the mics of one performance's key: linear gain in the sum, samples of advance.

    Mics that are not summed weigh nothing. Neither do sub mics, while a close mic is there: they ring on
    after a stop and hear the kick drum best.
    """
    name = envelopes.performance
    decisions = [alignment.of(name, mic) for mic in envelopes.mics]
    summed = [d.summed for d in decisions]
    if any(d.summed and d.role == "close" for d in decisions):
        summed = [d.summed and d.role == "close" for d in decisions]
    gains = [recipe.mic_in(name, mic).gain_db for mic in envelopes.mics]
    weights = [db_to_gain(gain) if used else 0.0 for gain, used in zip(gains, summed, strict=True)]
    return np.array(weights), np.array([d.delay_samples for d in decisions])


class _Gates:
    """The gates of one song. Riffs are found once for each performance, threshold and hysteresis."""

    def __init__(self, recipe: Recipe, tracks: TrackSet, analysis: Analysis, alignment: Alignment) -> None:
        self._recipe, self._tracks, self._alignment = recipe, tracks, alignment
        self._frames, self._rate = analysis.frames, analysis.rate
        self._keys = {e.performance: (e, *key_weights(recipe, alignment, e)) for e in analysis.envelopes}
        self._riffs: dict[tuple[str, str | float, float], Riff] = {}

    def room_mics(self, performance: str) -> tuple[str, ...]:
        tracks = self._tracks.of(performance)
        return tuple(t.mic for t in tracks if self._recipe.mics[t.mic].role == "room")

    def riff(self, performance: str, gate: Gate) -> Riff:
        asked = (performance, gate.threshold_db, gate.hysteresis_db)
        if asked not in self._riffs:
            self._riffs[asked] = find_riff(*self._keys[performance], gate)
        return self._riffs[asked]

    def arrival(self, performance: str, mic: str) -> float | None:
        """Samples after the key at which the room mic, as it is mixed, hears the guitar; None: not known."""
        decision = self._alignment.of(performance, mic)
        if decision.arrival_samples is None:
            return None
        return decision.arrival_samples - decision.delay_samples

    def room(self, performance: str, mic: str) -> RoomGate:
        """The gate of one room mic, with its own settings."""
        gate = self._recipe.gate_of(mic)
        curve = flat_curve(0.0) if gate.mode == "off" else self._curve(performance, mic, gate)
        spans = open_spans(curve, gate, rate=self._rate, frames=self._frames)
        threshold = self.riff(performance, gate).threshold_db
        return RoomGate(performance, mic, gate.mode, threshold, spans, curve)

    def _curve(self, performance: str, mic: str, gate: Gate) -> Curve:
        riffs = [riff for riff in self._keyed_by(performance, gate) if riff.spans]
        arrival = self.arrival(performance, mic) or 0.0
        if not riffs:
            return flat_curve(0.0)
        if gate.mode == "follow":
            keys = [(Key(*self._keys[r.performance]), r.loud_db + r.threshold_db) for r in riffs]
            return follow_curve(keys, gate, rate=self._rate, frames=self._frames, arrival_samples=arrival)
        spans = union(span for riff in riffs for span in riff.spans)
        return room_curve(spans, gate, rate=self._rate, frames=self._frames, arrival_samples=arrival)

    def _keyed_by(self, performance: str, gate: Gate) -> list[Riff]:
        """The riffs that open a room of the performance."""
        if gate.key == "performance":
            return [self.riff(performance, gate)]
        names = [n for n in self._tracks.performances() if not self._recipe.performances[n].mute]
        return [self.riff(name, gate) for name in names]


def union(spans: Iterable[Span]) -> Sequence[Span]:
    """Spans sorted, with those that overlap or touch joined."""
    joined: list[Span] = []
    for on, off in sorted(spans):
        if joined and on <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(off, joined[-1][1]))
        else:
            joined.append((on, off))
    return joined
