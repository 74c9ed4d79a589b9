"""The gain curve of a room mic, as breakpoints linear in dB.

Gate mode: open while the guitar plays, shut in the stops. Follow mode: below the threshold its level sinks with the
key's.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from premix.arrays import FloatArray, IndexArray
from premix.gate.key import Key, running_max
from premix.model.gate import OPEN, Curve, GateCurve, Span
from premix.model.settings import Gate
from premix.units import ms_to_samples, s_to_samples, samples_to_s

Point = tuple[float, float]

_WINDOW_S = 60.0  # of a curve that is spelled out at once
ROUND_MS, ROUND_STEPS = 10.0, 24
"""The corner where a ramp meets 0 dB clicks when the ramp is shorter than this: it is rounded, in 24 steps."""


def room_curve(
    spans: Sequence[Span],
    gate: Gate,
    *,
    rate: int,
    frames: int,
    arrival_samples: float,
    first_samples: float | None = None,
) -> Curve:
    """The gate of one room mic from the played passages, as breakpoints linear in dB.

    spans: (on_s, off_s), sorted, not overlapping. arrival_samples: how much later than the key the room mic
    hears most of the guitar; first_samples: how much later its first sound, where that is earlier. For each passage the
    gate is fully open `lookahead_ms` before the room's first sound, and starts to shut `hold_ms` after off + arrival.
    `attack_ms` and `release_ms` are the times of the full ramps, at least one sample; ramps shorter than
    `ROUND_MS` have their corner at 0 dB rounded. A passage that starts before the gate has shut takes it up
    from where it is. With `invert` the gain is mirrored: shut where it would be open. A range of 0 dB, or no
    spans, give a flat curve.
    """
    if not spans or gate.range_db == 0.0:
        shut = not gate.invert and gate.range_db > 0.0
        return GateCurve(np.zeros(1, np.int64), np.array([-gate.range_db])) if shut else OPEN
    early, late = ms_to_samples(gate.lookahead_ms, rate), ms_to_samples(gate.hold_ms, rate)
    first = arrival_samples if first_samples is None else min(first_samples, arrival_samples)
    # Rounded so that it is never open too late or shut too early.
    opens = union(
        (
            math.floor(s_to_samples(on_s, rate) + first - early),
            math.ceil(s_to_samples(off_s, rate) + arrival_samples + late),
        )
        for on_s, off_s in spans
    )
    attack, release = (_ramp(ms_to_samples(ms, rate), rate, gate) for ms in (gate.attack_ms, gate.release_ms))
    return RoomCurve(np.array(opens, np.int64), tuple(attack), tuple(release), -gate.range_db, gate.invert, frames)


def union(spans: Iterable[Span]) -> list[Span]:
    """Spans sorted, with those that overlap or touch joined."""
    joined: list[Span] = []
    for on, off in sorted(spans):
        if joined and on <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(off, joined[-1][1]))
        else:
            joined.append((on, off))
    return joined


@dataclass(frozen=True, slots=True)
class RoomCurve:
    """The curve of a gate that opens and shuts, kept as its passages: an hour has a hundred thousand breakpoints.

    opens: (n, 2) first and last sample of every stretch in which the gate is fully open. attack, release: closing
    ramps, (samples after it starts to shut, gain in dB). shut_db: its gain where it is shut.
    """

    opens: IndexArray
    attack: tuple[Point, ...]
    release: tuple[Point, ...]
    shut_db: float
    invert: bool
    frames: int

    @property
    def positions(self) -> IndexArray:
        return self._breakpoints(self.opens).positions

    @property
    def gains_db(self) -> FloatArray:
        return self._breakpoints(self.opens).gains_db

    def between(self, start: int, stop: int) -> GateCurve:
        """From the passages whose ramps reach into the stretch, and one more on either side."""
        first = int(np.searchsorted(self.opens[:, 1] + self.release[-1][0], start)) - 1
        last = int(np.searchsorted(self.opens[:, 0] - self.attack[-1][0], stop)) + 1
        return self._breakpoints(self.opens[max(0, first) : last])

    def _breakpoints(self, opens: IndexArray) -> GateCurve:
        at, gains_db = (np.concatenate(each) for each in zip(*self._stretches(opens), strict=True))
        positions = np.rint(at).astype(np.int64)
        gains_db = self.shut_db - gains_db if self.invert else gains_db
        first = np.flatnonzero(np.diff(positions, prepend=positions[0] - 1))  # of those that share a sample
        curve = GateCurve(positions[first], np.maximum.reduceat(gains_db, first))  # openings are never lost
        return _clipped(curve, self.frames)

    def _stretches(self, opens: IndexArray) -> Iterator[tuple[FloatArray, FloatArray]]:
        """(positions, gains in dB) of a curve that is open from each first to each last sample: ahead of it, between,
        and after."""
        fall, rise = np.array(self.release), np.array(self.attack)[::-1]
        yield opens[0, 0] - rise[:, 0], rise[:, 1]
        shuts, opens_next = opens[:-1, 1], opens[1:, 0]
        between = np.concatenate([shuts[:, None] + fall[:, 0], opens_next[:, None] - rise[:, 0]], axis=1)
        gains_db = np.concatenate([fall[:, 1], rise[:, 1]])
        done = 0
        for k in np.flatnonzero(between[:, len(fall) - 1] > between[:, len(fall)]).tolist():
            yield between[done:k].ravel(), np.tile(gains_db, k - done)
            down, up = _falling(int(shuts[k]), self.release), _rising(int(opens_next[k]), self.attack)
            met = np.array(_higher(down, up))
            yield met[:, 0], met[:, 1]
            done = k + 1
        yield between[done:].ravel(), np.tile(gains_db, len(between) - done)
        yield opens[-1, 1] + fall[:, 0], fall[:, 1]


def open_spans(curve: Curve, gate: Gate, *, rate: int, frames: int) -> tuple[Span, ...]:
    """(on_s, off_s) of every stretch of the song in which the room is not fully shut."""
    return tuple(union(_open_pieces(curve, gate, rate, frames)))


def _open_pieces(curve: Curve, gate: Gate, rate: int, frames: int) -> Iterator[Span]:
    """The same, cut at every `_WINDOW_S`."""
    size = round(s_to_samples(_WINDOW_S, rate))
    for start in range(0, frames, size):
        stop = min(start + size, frames)
        near = curve.between(start, stop)
        edges = np.concatenate(([start], near.positions, [stop])).clip(start, stop)
        gains = np.concatenate((near.gains_db[:1], near.gains_db, near.gains_db[-1:]))
        wide = np.flatnonzero(np.diff(edges))
        shut = np.maximum(gains[:-1], gains[1:])[wide] <= -gate.range_db if gate.range_db > 0.0 else np.zeros(wide.size)
        turns = np.flatnonzero(np.diff(np.concatenate(([1], shut, [1]))))
        ends = [samples_to_s(end, rate) for end in np.concatenate((edges[wide], edges[-1:]))[turns].tolist()]
        yield from zip(ends[::2], ends[1::2], strict=True)


def _ramp(length: float, rate: int, gate: Gate) -> list[Point]:
    """A closing ramp: (samples after it starts to shut, gain in dB)."""
    whole = max(1, round(length))
    shape = [(0, 0.0), (whole, 1.0)]
    if whole < ms_to_samples(ROUND_MS, rate):
        # A parabola over the first half, on whole samples, and its slope from there on: v = 4/3 u^2, then 4/3 u - 1/3.
        corner = sorted({round(whole * k / (2 * ROUND_STEPS)) for k in range(ROUND_STEPS + 1)} - {whole})
        shape = [(at, (at / whole) ** 2 / 0.75) for at in corner] + [(whole, 1.0)]
    if gate.invert:
        shape = [(whole - at, 1.0 - share) for at, share in reversed(shape)]
    return [(float(at), -gate.range_db * share) for at, share in shape]


def _falling(shuts: int, ramp: Sequence[Point]) -> list[Point]:
    return [(shuts + after, gain) for after, gain in ramp]


def _rising(opens: int, ramp: Sequence[Point]) -> list[Point]:
    return [(opens - before, gain) for before, gain in reversed(ramp)]


def _higher(down: list[Point], up: list[Point]) -> list[Point]:
    """Corners of the higher of a falling ramp and the rising one that follows before it has ended."""
    at = np.array(sorted({point[0] for point in down + up}))
    falling = np.interp(at, [p[0] for p in down], [p[1] for p in down])
    rising = np.interp(at, [p[0] for p in up], [p[1] for p in up])
    k = int(np.argmax(rising >= falling))
    share = (falling[k - 1] - rising[k - 1]) / (falling[k - 1] - rising[k - 1] + rising[k] - falling[k])
    meet = float(at[k - 1] + share * (at[k] - at[k - 1]))
    gain = float(falling[k - 1] + share * (falling[k] - falling[k - 1]))
    return [p for p in down if p[0] < meet] + [(meet, gain)] + [p for p in up if p[0] > meet]


def _clipped(curve: GateCurve, frames: int) -> GateCurve:
    """The same curve with no breakpoint outside of the song: ramps that reach over its ends are cut there."""
    ends = np.array([0, max(0, frames - 1)])
    at_ends = np.interp(ends, curve.positions, curve.gains_db)
    inside = (curve.positions > ends[0]) & (curve.positions < ends[1])
    positions = np.concatenate([ends[:1], curve.positions[inside], ends[1:] if ends[1] else ends[:0]])
    gains = np.concatenate([at_ends[:1], curve.gains_db[inside], at_ends[1:] if ends[1] else at_ends[:0]])
    return GateCurve(positions.astype(np.int64), gains)


ERROR_DB = 0.1
LONGEST = 512
"""Control frames between breakpoints, at most, while the gain is moving; a power of two that divides the chunk."""

KeyedAt = tuple[Key, float]
"""A key and the threshold that goes with it, in dB re full scale."""


def follow_curve(keys: Sequence[KeyedAt], gate: Gate, *, rate: int, frames: int, arrival_samples: float) -> GateCurve:
    """Downward expander: (ratio - 1) dB of attenuation for every dB of the key below its threshold, to the range.

    keys: the louder one counts, each against its own threshold. The gain rises by at most the range in
    `attack_ms` and sinks by at most the range in `release_ms`, after `hold_ms`; these slopes are limits, not
    exponentials, so above the threshold the gain is exactly 0 dB (Giannoulis, Massberg & Reiss, JAES 60(6),
    2012, place the smoothing behind the gain computer, in dB, as here). Lookahead and arrival as in the gate.
    Breakpoints stand where straight lines between them stay within 0.1 dB of the gain.
    """
    if not keys or gate.range_db == 0.0 or frames == 0:
        return OPEN
    kept_at, kept_db = [], []
    for start, gain in _gains(keys, gate):
        index = _corners(gain)
        kept_at.append(start + index)
        kept_db.append(gain[index])
    # A control frame stands for its middle.
    shift = 0.5 * keys[0][0].hop + arrival_samples - ms_to_samples(gate.lookahead_ms, rate)
    positions = np.concatenate(kept_at) * keys[0][0].hop + round(shift)
    gains = np.concatenate(kept_db)
    if gate.invert:
        gains = -gate.range_db - gains
    moving = np.ones(len(gains), bool)
    moving[1:-1] = (gains[1:-1] != gains[:-2]) | (gains[1:-1] != gains[2:])
    return _clipped(GateCurve(positions[moving], gains[moving]), frames)


def _gains(keys: Sequence[KeyedAt], gate: Gate) -> Iterator[tuple[int, FloatArray]]:
    """(first frame, gain in dB) of the song in chunks that overlap by one frame, padded to whole blocks of LONGEST."""
    key = keys[0][0]
    held = key.span(gate.hold_ms + gate.lookahead_ms)
    rise, fall = (gate.range_db / max(1.0, key.exact_span(ms)) for ms in (gate.attack_ms, gate.release_ms))
    ahead = key.span(gate.attack_ms) + 1
    last = -gate.range_db
    for chunk in zip(*(k.chunks(before=held, after=ahead) for k, _ in keys), strict=True):
        wanted = np.max(
            [(gate.ratio - 1.0) * (level - open_db) for (_, level), (_, open_db) in zip(chunk, keys, strict=True)],
            axis=0,
        )
        gain = _follow(np.clip(wanted, -gate.range_db, 0.0), held, rise)[: -ahead + 1]
        gain = np.round(_sink(gain, last, fall), 6)
        last = float(gain[-2])
        yield chunk[0][0], np.pad(gain, (0, -(gain.size - 1) % LONGEST), mode="edge")


def _follow(gain_db: FloatArray, held: int, rise_db: float) -> FloatArray:
    """The gain with its hold (the highest of the last `held` frames and this one) and its rise limited, by rising
    early. Gives the frames from `held` on."""
    highest = running_max(gain_db, held + 1)
    slope = rise_db * np.arange(highest.size)
    early: FloatArray = np.maximum.accumulate((highest - slope)[::-1])[::-1] + slope
    # Not below what is wanted, by no rounding either: 0 dB stays 0 dB.
    limited: FloatArray = np.minimum(np.maximum(early, highest), 0.0)
    return limited


def _sink(gain_db: FloatArray, last_db: float, fall_db: float) -> FloatArray:
    """The gain, sinking by at most `fall_db` a frame; last_db: the gain of the frame before."""
    slope = fall_db * np.arange(1, gain_db.size + 1)
    falling = np.maximum(np.maximum.accumulate(gain_db + slope), last_db) - slope
    limited: FloatArray = np.maximum(gain_db, falling)
    return limited


def _corners(gain_db: FloatArray) -> IndexArray:
    """Frames to keep, all but the last: every block of LONGEST is halved until a straight line is good enough."""
    starts, size = np.arange(0, gain_db.size - 1, LONGEST), LONGEST
    kept = [starts]
    while size > 1:
        share = np.arange(size + 1) / size
        blocks = gain_db[starts[:, None] + np.arange(size + 1)]
        error = np.abs(blocks - (blocks[:, :1] * (1.0 - share) + blocks[:, -1:] * share)).max(axis=1)
        size //= 2
        starts = starts[error > ERROR_DB]
        kept.append(starts + size)
        starts = np.concatenate([starts, starts + size])
    return np.sort(np.concatenate(kept))
