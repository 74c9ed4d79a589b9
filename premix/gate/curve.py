"""The gain curve of a room mic in gate mode: open while the guitar plays, shut in the stops."""

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from premix.model.gate import GateCurve, Span
from premix.model.recipe import Gate
from premix.units import ms_to_samples, s_to_samples, samples_to_s

Point = tuple[float, float]


def flat_curve(gain_db: float) -> GateCurve:
    """A curve of one gain all along."""
    return GateCurve(np.zeros(1, np.int64), np.array([gain_db]))


def room_curve(
    spans: Sequence[Span], gate: Gate, *, rate: int, frames: int, arrival_samples: float
) -> GateCurve:
    """The gate of one room mic from the played passages, as breakpoints linear in dB.

    spans: (on_s, off_s), sorted, not overlapping. arrival_samples: how much later than the key the room mic
    hears the guitar. For each passage the gate is fully open `lookahead_ms` before the room's first direct
    sound (on + arrival), and starts to shut `hold_ms` after its last direct sound (off + arrival).
    `attack_ms` and `release_ms` are the times of the full ramps, at least one sample. A passage that starts
    before the gate has shut takes it up from where it is. With `invert` the gain is mirrored: shut where it
    would be open. A range of 0 dB, or no spans, give a flat curve.
    """
    closed = -gate.range_db
    early, late = ms_to_samples(gate.lookahead_ms, rate), ms_to_samples(gate.hold_ms, rate)
    attack, release = (max(1.0, round(ms_to_samples(ms, rate))) for ms in (gate.attack_ms, gate.release_ms))
    opens: list[tuple[int, int]] = []
    for on_s, off_s in spans:
        # Rounded so that it is never open too late or shut too early.
        first = math.floor(s_to_samples(on_s, rate) + arrival_samples - early)
        last = math.ceil(s_to_samples(off_s, rate) + arrival_samples + late)
        if opens and first <= opens[-1][1]:
            opens[-1] = (opens[-1][0], max(last, opens[-1][1]))
        else:
            opens.append((first, last))
    if not opens or closed == 0.0:
        return flat_curve(0.0 if gate.invert else closed) if closed else flat_curve(0.0)
    points = _points(opens, attack, release, closed)
    if gate.invert:
        points = [(at, closed - gain) for at, gain in points]
    return _cut(points, frames)


def open_spans(curve: GateCurve, gate: Gate, *, rate: int, frames: int) -> tuple[Span, ...]:
    """(on_s, off_s) of every stretch of the song in which the room is not fully shut."""
    spans: list[Span] = []
    positions = [0, *curve.positions.tolist(), frames]
    gains = [curve.gains_db[0], *curve.gains_db.tolist(), curve.gains_db[-1]]
    for (a, gain_a), (b, gain_b) in pairwise(zip(positions, gains, strict=True)):
        if b <= a or max(gain_a, gain_b) <= -gate.range_db < 0.0:
            continue
        on, off = samples_to_s(max(a, 0), rate), samples_to_s(min(b, frames), rate)
        if spans and spans[-1][1] == on:
            spans[-1] = (spans[-1][0], off)
        else:
            spans.append((on, off))
    return tuple(spans)


def _points(opens: Sequence[tuple[int, int]], attack: float, release: float, closed: float) -> list[Point]:
    """Corners of the curve; between two passages it is the higher of the closing and the next opening
    ramp."""
    points: list[Point] = [(opens[0][0] - attack, closed), (opens[0][0], 0.0)]
    for (_, shuts), (opens_next, _) in pairwise(opens):
        points.append((shuts, 0.0))
        if shuts + release <= opens_next - attack:
            points += [(shuts + release, closed), (opens_next - attack, closed)]
        else:
            # Where 0 + closed (t - shuts) / release meets 0 + closed (opens_next - t) / attack.
            meet = (shuts / release + opens_next / attack) / (1.0 / release + 1.0 / attack)
            points.append((meet, closed * (meet - shuts) / release))
        points.append((opens_next, 0.0))
    return [*points, (opens[-1][1], 0.0), (opens[-1][1] + release, closed)]


def _cut(points: Sequence[Point], frames: int) -> GateCurve:
    """The curve between the song's first and last sample, on whole samples."""
    at, gain = np.array([p[0] for p in points]), np.array([p[1] for p in points])
    positions = np.rint(at).astype(np.int64)
    keep = np.concatenate([[True], np.diff(positions) > 0])
    return clip_curve(GateCurve(positions[keep], gain[keep]), frames)


def clip_curve(curve: GateCurve, frames: int) -> GateCurve:
    """The same curve with no breakpoint outside of the song: ramps that reach over its ends are cut there."""
    ends = np.array([0, max(0, frames - 1)])
    at_ends = np.interp(ends, curve.positions, curve.gains_db)
    inside = (curve.positions > ends[0]) & (curve.positions < ends[1])
    positions = np.concatenate([ends[:1], curve.positions[inside], ends[1:] if ends[1] else ends[:0]])
    gains = np.concatenate([at_ends[:1], curve.gains_db[inside], at_ends[1:] if ends[1] else at_ends[:0]])
    return GateCurve(positions.astype(np.int64), gains)
