"""From trails to what changed: jumps, turns of polarity, drifts and losses of level, with mic, time and size.

A trail is cut where one constant, or one even drift, no longer explains it: the cheapest cut by dynamic programming, a
part costs a fixed price (Jackson et al., "An algorithm for optimal partitioning of data on an interval", IEEE Signal
Processing Letters 12(2), 2005).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from premix.alignment.mic_levels import SILENT_DB
from premix.alignment.stretches import OUTERMOST, Stretch
from premix.alignment.trails import MIN_CHANGE_S, Trails
from premix.arrays import BoolArray, FloatArray

Kind = Literal["jump", "turned", "drift", "dropout"]
PART_PRICE, SLOPE_PRICE = 40.0, 20.0
"""Squared standard deviations that a further part, or a slope, must save."""
MIN_DRIFT_PPM = 0.2
MIN_DRIFT_TIMES = {"close": 1.0, "sub": 2.0, "room": 1.0}
"""A drift must go so many times as far as a jump to count: what few low notes say of a sub mic wanders by itself, and
70 us are 4 degrees at 150 Hz."""
MIN_SCATTER_S = {"close": 0.3e-6, "sub": 8e-6, "room": 2e-6}
"""Least scatter of a trail from stretch to stretch, by role; a few stretches do not show it."""
MIN_LEVEL_DB = {"close": 1.5, "sub": 3.0, "room": 4.0}
"""Notes move the level of one mic against the others by 0.1 dB, a hand on a preamp by more than this."""
FLOOR_DB = 40.0
"""A mic this far below itself is silent; how far does not matter."""
EDGE = 4.0
"""So many times as far must a part go that is no longer than a window or two."""
FULL_S = 0.45
"""Riff in a stretch from which its level counts."""
GOOD_FIT = 0.6


@dataclass(frozen=True, slots=True)
class Part:
    """Stretches `first` to `stop` of a trail that one line explains: the delay in samples at the middle of the first,
    and how it grows in samples a second; sign: against the decision's polarity."""

    first: int
    stop: int
    delay: float
    slope: float
    sign: int

    def at(self, time_s: float, stretches: Sequence[Stretch]) -> float:
        """Its delay at a time."""
        return self.delay + self.slope * (time_s - stretches[self.first].middle_s)


@dataclass(frozen=True, slots=True)
class LevelPart:
    """Stretches `first` to `stop` in which a mic holds one level, in dB on top of its median."""

    first: int
    stop: int
    db: float


@dataclass(frozen=True, slots=True)
class Change:
    """What changed at a mic. at_s: when; to_s: when a drift or a level ends.

    samples: size of a jump, or of a whole drift. ppm: of a drift. db: of a loss or gain of level.
    """

    kind: Kind
    mic: str
    at_s: float
    to_s: float
    samples: float = 0.0
    ppm: float = 0.0
    db: float = 0.0


def level_parts(trails: Trails, m: int, role: str) -> list[LevelPart]:
    """Parts of the song in which mic m holds its level; one where it does all through."""
    levels = np.maximum(trails.levels_db[:, m], -FLOOR_DB)
    least = MIN_LEVEL_DB[role]
    if not len(levels) or float(np.ptp(levels)) < least:
        return [LevelPart(0, len(levels), 0.0)] if len(levels) else []
    steps = np.abs(np.diff(levels))
    noise = np.full(len(levels), max(0.15, 1.4826 * float(np.median(steps)) / np.sqrt(2.0) if len(steps) else 0.0))
    times = np.arange(len(levels), dtype=np.float64)
    keep = np.flatnonzero(~_passing(levels, np.ones(len(levels)), least + 4.0 * noise, slopes=False))
    # A window at the song's ends may be hardly riff yet, or no more: its level is that of the noise.
    keep = keep[[trails.stretches[s].riff_s >= FULL_S for s in keep]]
    cuts = _cut(times[keep], levels[keep], np.ones(len(keep)), noise[keep], slopes=False)
    parts: list[LevelPart] = []
    for i, j in cuts:
        own = LevelPart(int(keep[i]), int(keep[j - 1]) + 1, float(np.median(levels[keep[i:j]])))
        last = parts[-1] if parts else None
        if last is not None and abs(last.db - own.db) < least + 4.0 * noise[0]:
            parts[-1] = LevelPart(last.first, own.stop, last.db)
        else:
            parts.append(own)
    return _without_short_ends(_without_between(parts), trails.stretches)


def usual_db(trails: Trails, m: int, role: str) -> float:
    """Level of mic m in the part of the song in which it is loudest."""
    return max(part.db for part in level_parts(trails, m, role))


def sounding(trails: Trails, m: int, role: str) -> BoolArray:
    """(S) stretches in which mic m is not as good as silent."""
    return np.asarray(trails.levels_db[:, m] > usual_db(trails, m, role) - SILENT_DB)


def _without_between(parts: list[LevelPart]) -> list[LevelPart]:
    """The parts, but for those of one stretch on the way into silence or out of it: the change is inside, and what
    follows begins with it."""
    kept: list[LevelPart] = []
    for part in parts:
        if len(kept) > 1 and kept[-1].stop - kept[-1].first == 1:
            far, way = part.db - kept[-2].db, kept[-1].db - kept[-2].db
            if abs(far) > SILENT_DB and 0.0 < way / far < 1.0:
                part = LevelPart(kept.pop().first, part.stop, part.db)
        kept.append(part)
    return kept


def _without_short_ends(parts: list[LevelPart], stretches: Sequence[Stretch]) -> list[LevelPart]:
    """The parts, but for those at the song's ends that are one window long, or two that are louder: these may hold one
    attack or one tail, whose sound is another than the riff's, and where other mics are softer than ever."""
    kept = list(parts)
    for end, beside in ((0, 1), (-1, -2)):
        if len(kept) > 1:
            own = stretches[kept[end].first : kept[end].stop]
            short = sum(len(stretch.windows) for stretch in own) <= OUTERMOST
            if len(own) == 1 or (short and kept[end].db > kept[beside].db):
                del kept[end]
    if len(kept) == 1 and len(parts) > 1:
        return [LevelPart(parts[0].first, parts[-1].stop, kept[0].db)]
    return kept


def parts_of(trails: Trails, m: int, role: str, rate: int, spoiled: BoolArray | None = None) -> list[Part]:
    """The parts of mic m's trail; one where it is steady, none where it is never heard.

    spoiled: (S) stretches in which another mic changes; what they say of this one is not believed.
    """
    live = trails.alive[:, m] & trails.certain & (trails.fits[:, m] >= GOOD_FIT)
    if spoiled is not None:
        live &= ~spoiled
    rows = np.flatnonzero(live)
    if not len(rows):
        return []
    times = np.array([trails.stretches[s].middle_s for s in rows])
    delays, signs = trails.delays[rows, m], trails.signs[rows, m]
    least = MIN_CHANGE_S[role] * rate
    if float(np.ptp(delays)) < least and abs(int(signs.sum())) == len(signs):
        return [Part(int(rows[0]), int(rows[-1]) + 1, float(np.median(delays)), 0.0, int(signs[0]))]
    noise = _noise(delays, signs, trails.spreads[rows, m], MIN_SCATTER_S[role] * rate)
    passing = _passing(delays, signs, least + 6.0 * noise)
    if role != "room":
        passing &= ~_there_and_back(delays, signs, least + 6.0 * noise)
    keep = ~passing
    kept = np.flatnonzero(keep)
    cuts = _cut(times[kept], delays[kept], signs[kept], noise[kept])
    parts = [
        _line(int(rows[kept[i]]), int(rows[kept[j - 1]]) + 1, times[kept[i:j]], delays[kept[i:j]], noise[kept[i:j]])
        for i, j in cuts
    ]
    turns = [int(signs[kept[i]]) for i, _ in cuts]
    signed = [Part(p.first, p.stop, p.delay, p.slope, sign) for p, sign in zip(parts, turns, strict=True)]
    # A room that goes astray in a window at the song's end was not moved there: nothing but its place is told of it.
    ends = np.inf if role == "room" else EDGE * least
    return _joined(_without_edges(signed, trails, ends), trails.stretches, least, MIN_DRIFT_TIMES[role] * least)


def _noise(delays: FloatArray, signs: FloatArray, spreads: FloatArray, least: float) -> FloatArray:
    """(n) standard deviation of each delay: what coherence explains, and what the trail shows from one to the next."""
    bends = np.abs(delays[2:] - 2.0 * delays[1:-1] + delays[:-2])[
        (signs[2:] == signs[1:-1]) & (signs[1:-1] == signs[:-2])
    ]
    scatter = 1.4826 * float(np.median(bends)) / np.sqrt(6.0) if len(bends) >= 4 else 0.0
    return np.hypot(np.minimum(spreads, 1e6), max(scatter, least))


def _passing(delays: FloatArray, signs: FloatArray, least: FloatArray, *, slopes: bool = True) -> BoolArray:
    """(n) stretches like neither neighbour while these do not lie on one line through them: the change is inside."""
    passing = np.zeros(len(delays), np.bool_)
    for s in range(1, len(delays) - 1):
        before, after, here = delays[s - 1], delays[s + 1], delays[s]
        off = not slopes or abs(here - 0.5 * (before + after)) > 0.35 * abs(after - before) + least[s]
        beside = min(abs(here - before), abs(here - after)) > max(least[s], 0.1 * abs(after - before))
        turned = signs[s] != signs[s - 1] and signs[s] != signs[s + 1]
        passing[s] = not passing[s - 1] and (turned or (beside and (off or signs[s - 1] != signs[s + 1])))
    return passing


def _there_and_back(delays: FloatArray, signs: FloatArray, least: FloatArray) -> BoolArray:
    """(n) stretches that go clearly elsewhere between two that are alike: no change is inside, the mic was there for as
    long as the stretch, or a little more."""
    found = np.zeros(len(delays), np.bool_)
    before, here, after = delays[:-2], delays[1:-1], delays[2:]
    alike = (signs[:-2] == signs[2:]) & (np.abs(after - before) < least[1:-1])
    far = np.abs(here - 0.5 * (before + after)) > EDGE * least[1:-1]
    found[1:-1] = alike & (far | (signs[1:-1] != signs[:-2]))
    return found


def _cut(
    times: FloatArray, delays: FloatArray, signs: FloatArray, noise: FloatArray, *, slopes: bool = True
) -> list[tuple[int, int]]:
    """Where to cut: (first, stop) of each part, by the cheapest total price."""
    n = len(times)
    weight = 1.0 / noise**2
    moments = np.stack(
        [weight, weight * times, weight * times**2, weight * delays, weight * times * delays, weight * delays**2]
    )
    sums = np.concatenate([np.zeros((6, 1)), np.cumsum(moments, axis=1)], axis=1)
    turns = np.concatenate([[0], np.cumsum(np.abs(np.diff(signs)) > 0)])
    best, origin = np.zeros(n + 1), np.zeros(n + 1, np.int64)
    best[0] = -PART_PRICE
    for stop in range(1, n + 1):
        first = np.arange(stop)
        count = (stop - first if slopes else 0 * first).astype(np.float64)
        price = best[:stop] + PART_PRICE + _misfit(sums[:, stop, None] - sums[:, :stop], count)
        price[turns[stop - 1] != turns[first]] = np.inf
        origin[stop] = int(np.argmin(price))
        best[stop] = price[origin[stop]]
    cuts, stop = [], n
    while stop > 0:
        cuts.append((int(origin[stop]), stop))
        stop = int(origin[stop])
    return cuts[::-1]


def _misfit(sums: FloatArray, count: FloatArray) -> FloatArray:
    """Squared standard deviations around a constant, or around a line where that saves its price."""
    w, t, tt, d, td, dd = sums
    flat = dd - d * d / w
    spread = np.maximum(tt - t * t / w, 1e-12)
    line = flat - (td - t * d / w) ** 2 / spread + SLOPE_PRICE
    return np.asarray(np.maximum(np.where(count >= 3, np.minimum(flat, line), flat), 0.0), np.float64)


def _line(first: int, stop: int, times: FloatArray, delays: FloatArray, noise: FloatArray) -> Part:
    weight = 1.0 / noise**2
    mean_t, mean_d = float(np.average(times, weights=weight)), float(np.average(delays, weights=weight))
    spread = float((weight * (times - mean_t) ** 2).sum())
    slope = (
        float((weight * (times - mean_t) * (delays - mean_d)).sum()) / spread
        if len(times) >= 3 and spread > 0.0
        else 0.0
    )
    saved = slope * slope * spread
    if saved < SLOPE_PRICE:
        slope = 0.0
    return Part(first, stop, mean_d + slope * (float(times[0]) - mean_t), slope, 1)


def _without_edges(parts: list[Part], trails: Trails, least: float) -> list[Part]:
    """The parts, but for those at the song's ends that are a window or two long and go less far than `least`."""
    kept = list(parts)
    for end, beside in ((0, 1), (-1, -2)):
        if len(kept) > 1 and kept[end].stop - kept[end].first <= OUTERMOST:
            short, long = kept[end], kept[beside]
            at_s = trails.stretches[short.first].middle_s
            if short.sign == long.sign and abs(short.delay - long.at(at_s, trails.stretches)) < least:
                del kept[end]
    return kept


def _joined(parts: list[Part], stretches: Sequence[Stretch], least: float, least_drift: float) -> list[Part]:
    """Parts that differ by less than counts put together, slopes that move by less than `least_drift` left out."""
    steady = [
        p if _moves(p, stretches, least_drift) else Part(p.first, p.stop, _middle(p, stretches), 0.0, p.sign)
        for p in parts
    ]
    joined: list[Part] = []
    for part in steady:
        last = joined[-1] if joined else None
        if (
            last is not None
            and last.sign == part.sign
            and not last.slope
            and not part.slope
            and abs(last.delay - part.delay) < least
        ):
            long = last.stop - last.first, part.stop - part.first
            delay = (last.delay * long[0] + part.delay * long[1]) / max(1, sum(long))
            joined[-1] = Part(last.first, part.stop, delay, 0.0, part.sign)
        else:
            joined.append(part)
    return joined


def _moves(part: Part, stretches: Sequence[Stretch], least: float) -> bool:
    length = stretches[part.stop - 1].middle_s - stretches[part.first].middle_s
    return abs(part.slope) * length >= least


def _middle(part: Part, stretches: Sequence[Stretch]) -> float:
    return part.delay + part.slope * 0.5 * (stretches[part.stop - 1].middle_s - stretches[part.first].middle_s)
