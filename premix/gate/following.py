"""What the key is made of through the song: rest, bleed or guitar, frame by frame, and the levels that go with them.

A hidden Markov model with three states over the key's level and the agreement of its mics (Rabiner, "A tutorial on
hidden Markov models", Proc. IEEE 77(2), 1989). Its means move: the floor is that of the rests around, and the loud
level that of the guitar around, so that a quiet verse is measured by itself. They are found in turns with the most
likely states (segmental k-means, there section VI.A), twice.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from premix.arrays import BoolArray, FloatArray, IntArray
from premix.gate.agreement import LOUD_DB, STEP_MS, loud_level_db
from premix.gate.floor_and_loud import BLOCK, PLAYED, first_floors, loud_levels, moved_floors
from premix.gate.key import QUIETEST_DB, Key
from premix.model.tracks import Agreed

SHORTEST_MS = 30.0
"""Less sound than this is no riff."""
CHANGE, SLIGHT_CHANGE = 5.0, 0.5
"""Costs of a change of state: where the guitar starts or stops, and between rest and bleed."""
REST, BLEED, GUITAR = 0, 1, 2
HIDES_DB, SEEN_DB = 6.0, 12.0
"""Bleed hides a guitar that is 6 dB weaker; one that should be 12 dB louder than that is missed for sure."""
CLEAR = 0.75
"""Agreement of frames whose level is the guitar's."""
RISES_DB = 2.0
"""A hit rises by this much over what it hides, and so does a new note over the bleed before it."""
MUTE_DB_PER_S = 100.0
DOUBT, BENEFIT, HIDDEN_MS = -1.0, 0.3, 120.0
"""What may be bleed or a guitar that it hides is rather bleed; but rather the guitar where it was heard just before."""
AGREES, CERTAINTY = 0.45, 6.6
"""Between what the guitar reaches (0.9 and more) and bleed (up to 0.4), and how quickly it counts from there to 1."""
WIDTHS, BETWEEN = 2.2, (0.36, 0.85)
"""What bleed reaches in a take: so many standard deviations over its mean, but within these."""
LEAD_IN, STANDS_OUT_DB, HEARD_DB, SHORT = 25, 6.0, 10.0, 3
"""Frames of a hit that lead in, at most; what stands out of it, by 6 dB; mics that agree 10 dB under what follows, or
for less than three frames, do so by chance."""
LEAST_SPREAD, EVEN = 0.1, -0.25
"""The spread of the agreement of hits is not taken for less; what is as likely a hit as a guitar under it is a hit."""
LEAST, MOST = -4.0, 4.0
"""What a single frame can say for the guitar against bleed: logarithms of odds."""


@dataclass(frozen=True, slots=True)
class Followed:
    """Means a block of the song, and the state of every judged frame.

    floor_db, spread_db, loud_db: (blocks) level of the rests and its standard deviation, and the loud level, in dB re
    full scale. states: (frames) REST, BLEED or GUITAR. compared: whether bleed could be told by the mics' agreement.
    """

    floor_db: FloatArray
    spread_db: FloatArray
    loud_db: FloatArray
    states: IntArray
    compared: bool

    def at(self, values: FloatArray, frames: FloatArray) -> FloatArray:
        """A mean, between its blocks' middles, at some (fractional) judged frames."""
        middles = (np.arange(values.size) + 0.5) * BLOCK
        return np.asarray(np.interp(frames, middles, values))

    def lower(self, values: FloatArray, frames: FloatArray) -> FloatArray:
        """The lower of the means of the two blocks around: the verse's, where it has just begun."""
        near = np.clip(frames / BLOCK - 0.5, 0, values.size - 1)
        return np.asarray(np.minimum(values[np.floor(near).astype(int)], values[np.ceil(near).astype(int)]))


def follow(key: Key, agreed: Agreed | None) -> Followed | None:
    """Follow a performance's key; None where it holds nothing. agreed: of its mics, None where it is not known."""
    level = _levels(key)
    heard = level[level > QUIETEST_DB]
    if heard.size * STEP_MS < SHORTEST_MS:
        return None
    top = _top(heard)
    agrees = np.ones(level.size)
    loud_frames = level > top - LOUD_DB
    # Mics that do not agree while the guitar is loud say nothing of any other time.
    compared = agreed is not None and bool(loud_frames.any() and np.median(agreed.values[loud_frames]) >= CLEAR)
    if agreed is not None and compared:
        agrees = agreed.values.astype(np.float64)
    clear = agrees > CLEAR if compared else np.ones(level.size, bool)
    loud = loud_levels(level, clear & (level > top - 40.0), top)
    floor, spread = first_floors(level, agrees > AGREES - 0.2, loud, top)
    followed = Followed(floor, spread, loud, np.zeros(0, np.int32), compared)
    for _ in range(2):
        scores, hidden = _scores(level, agrees, followed)
        states = most_likely(scores)
        floor, spread = moved_floors(level, states == REST, floor, spread)
        loud = loud_levels(level, clear & (states == GUITAR), top)
        followed = Followed(floor, spread, loud, states, compared)
    states = _uncovered(level, followed.states)
    return replace(followed, states=_led_in(level, clear, hidden, states) if compared else states)


def _levels(key: Key) -> FloatArray:
    """Mean level of the key in every judged frame, dB."""
    parts, rest = [], np.zeros(0)
    for _, level in key.chunks(before=0, after=0):
        rest = np.concatenate([rest, level])
        whole = rest.size // STEP_MS * STEP_MS
        parts.append(rest[:whole].reshape(-1, STEP_MS).mean(axis=1))
        rest = rest[whole:]
    if rest.size:
        parts.append(rest.mean(keepdims=True))
    return np.concatenate(parts) if parts else np.zeros(0)


def _top(heard: FloatArray) -> float:
    """The loud level of the song: the upper quartile of what is within 25 dB of the loudest 30 ms."""
    highest = np.partition(heard, -min(4, heard.size))[-min(4, heard.size)]
    return loud_level_db(heard, float(highest))


def _scores(level: FloatArray, agrees: FloatArray, followed: Followed) -> tuple[FloatArray, FloatArray]:
    """((frames, 3) logarithm of how likely each state is, (frames) log odds of a guitar that a hit hides)."""
    at = np.arange(level.size, dtype=np.float64)
    floor, spread = (followed.at(v, at) for v in (followed.floor_db, followed.spread_db))
    above = level - floor
    spread = np.clip(spread, 1.2, 3.0)
    rest = np.maximum(-0.5 * (np.maximum(above, 0.0) / spread) ** 2, -8.0)
    sounds = -2.5 - 0.7 * np.maximum(0.0, 3.0 - above)
    clear = (agrees > CLEAR) & (above > 6.0)
    seen = np.clip((_expected(level, clear) - (level - HIDES_DB)) / SEEN_DB, 0.0, 1.0)
    doubt = np.where(_since(clear) <= HIDDEN_MS / STEP_MS, BENEFIT, DOUBT)
    agrees = _above_floor(agrees, above)
    known = (followed.states == BLEED) & (above > 6.0) if followed.states.size else np.zeros(level.size, bool)
    between = _between(agrees, known)
    lean = np.clip(CERTAINTY * (agrees - between) / (1.0 - between), LEAST, MOST)
    lean = np.where(lean < 0.0, np.where(lean * seen < doubt, lean * seen, np.maximum(lean, doubt)), lean)
    over_loud = level - followed.lower(followed.loud_db, at)
    hits = known & (level >= followed.loud_db.min() - HIDES_DB)
    hidden = np.where((above > 6.0) & (over_loud >= -HIDES_DB), _hidden(over_loud, agrees, hits), LEAST)
    lean = np.maximum(lean, hidden)
    guitar = sounds + 0.5 * lean
    bleed = sounds - 0.5 * lean if followed.compared else np.full(level.size, -1e3)
    return np.stack([rest, bleed, guitar], axis=1), hidden


def _between(agrees: FloatArray, bleed: BoolArray) -> float:
    """The agreement that parts the guitar from the bleed that was found.

    Two mics agree on bleed by chance, and better where the drums happen to stand so that their direct sound reaches
    both as the guitar's does. Several mics hardly agree on it, and a guitar that it nearly hides is still seen.
    """
    if np.count_nonzero(bleed) < PLAYED:
        return AGREES
    found = agrees[bleed]
    return float(np.clip(found.mean() + WIDTHS * found.std(), *BETWEEN))


def _hidden(over_loud: FloatArray, agrees: FloatArray, hits: BoolArray) -> FloatArray:
    """Log odds of a note of the guitar around that sounds together with a hit, 6 dB under the loud level, against the
    hit alone: by how much the mics would agree, normally distributed.

    One frame says little, but mics agree on a hit by another chance in every frame, and what all frames of a note say
    adds up: so a note is found that lies under a hit from its start to its stop. over_loud: (frames) level of the key
    against the loud level, dB. hits: (frames) bleed that is as loud as a guitar; it shows how well mics agree on it.
    """
    if np.count_nonzero(hits) < PLAYED:
        return np.full(agrees.size, LEAST)
    mean, spread = float(agrees[hits].mean()), max(float(agrees[hits].std()), LEAST_SPREAD)
    share = np.minimum(10.0 ** (-(over_loud + HIDES_DB) / 10.0), 1.0)
    more = share * (1.0 - mean)
    return np.asarray(np.clip(more * (agrees - mean - 0.5 * more) / spread**2 + EVEN, LEAST, MOST))


def _above_floor(agrees: FloatArray, above: FloatArray) -> FloatArray:
    """The agreement of what is above the floor: the amp's own hiss comes from where the guitar comes from. above:
    dB."""
    still = np.abs(above) < 1.5
    own = float(np.median(agrees[still])) if still.any() else 0.5
    share = np.minimum(10.0 ** (-above / 10.0), 0.7)
    return np.asarray((agrees - own * share) / (1.0 - share))


def _expected(level: FloatArray, clear: BoolArray) -> FloatArray:
    """The least level of a guitar that has not been stopped since it was heard clearly: mutes die away fastest."""
    fall = MUTE_DB_PER_S * STEP_MS / 1000.0 * np.arange(level.size)
    return np.asarray(np.maximum.accumulate(np.where(clear, level, QUIETEST_DB) + fall) - fall)


def _since(clear: BoolArray) -> FloatArray:
    """Frames since the last clear one."""
    at = np.arange(clear.size, dtype=np.float64)
    return np.asarray(at - np.maximum.accumulate(np.where(clear, at, -np.inf)))


def most_likely(scores: FloatArray) -> IntArray:
    """(frames) the path of the highest sum of scores (frames, 3), less CHANGE where the guitar starts or stops, and
    less SLIGHT_CHANGE between rest and bleed (Viterbi; Rabiner, III.B).

    The song is cut into about as many stretches as each has frames, and all are walked through side by side: once from
    each state that a stretch can begin in, then, with the beginnings known, once more (sums of maxima are associative).
    """
    frames = len(scores)
    size = max(1, math.isqrt(frames))
    padded = np.zeros((-(-frames // size) * size, 3))  # behind the end the best state stays
    padded[:frames] = scores
    steps = padded.reshape(-1, size, 3).transpose(1, 2, 0).copy()  # (frames, states, stretches)
    each = np.where(np.eye(3, dtype=bool), 0.0, -np.inf)[:, :, None].repeat(steps.shape[2], axis=2)
    for step in steps:
        each = _best(each) + step
    totals = np.zeros((3, steps.shape[2]))
    for k in range(1, steps.shape[2]):
        totals[:, k] = (totals[:, k - 1, None] + each[:, :, k - 1]).max(axis=0)
    before = np.empty_like(steps)
    for k, step in enumerate(steps):
        before[k] = totals
        totals = _best(totals) + step
    return _traced(before, int(np.argmax(totals[:, -1])))[:frames]


def _best(totals: FloatArray) -> FloatArray:
    """The highest total to come into each state with. totals: (..., states, stretches)."""
    rest, bleed, guitar = (totals[..., state, :] for state in (REST, BLEED, GUITAR))
    out, stops = np.empty_like(totals), guitar - CHANGE
    np.maximum(np.maximum(rest, bleed - SLIGHT_CHANGE), stops, out=out[..., REST, :])
    np.maximum(np.maximum(bleed, rest - SLIGHT_CHANGE), stops, out=out[..., BLEED, :])
    np.maximum(guitar, np.maximum(rest, bleed) - CHANGE, out=out[..., GUITAR, :])
    return out


def _traced(before: FloatArray, last: int) -> IntArray:
    """The path that ends in state `last`. before: (frames, states, stretches) totals ahead of every frame."""
    size, _, stretches = before.shape
    best, at = _best(before), np.arange(stretches, dtype=np.int32)
    stay = best == before  # else, out of another one
    came = np.empty(before.shape, np.int32)
    stopped = best == before[:, GUITAR, None] - CHANGE
    came[:, REST] = np.where(stay[:, REST], REST, np.where(stopped[:, REST], GUITAR, BLEED))
    came[:, BLEED] = np.where(stay[:, BLEED], BLEED, np.where(stopped[:, BLEED], GUITAR, REST))
    idle = np.where(before[:, REST] >= before[:, BLEED], REST, BLEED)
    came[:, GUITAR] = np.where(stay[:, GUITAR], GUITAR, idle)
    came = came * np.int32(stretches) + at
    state = np.arange(3, dtype=np.int32)[:, None] * np.int32(stretches) + at  # a path for each state to end in
    paths = np.empty(before.shape, np.int32)
    for k in range(size - 1, -1, -1):
        paths[k] = state
        state = came[k].ravel()[state]
    begins, paths = state // stretches, paths // stretches
    path = np.empty((stretches, size), np.int32)
    for k in range(stretches - 1, -1, -1):
        path[k] = paths[:, last, k]
        last = int(begins[last, k])
    return path.ravel()


def _uncovered(level: FloatArray, states: IntArray) -> IntArray:
    """The states with GUITAR where a hit only hides it: it begins with a rise out of the guitar, and the guitar that
    is there when it has died away does not rise out of it. At a stop the level falls, and at a start it rises.

    A rest beside bleed counts as bleed: the hit may have begun in its last millisecond.
    """
    edges = np.flatnonzero(np.diff(states)) + 1
    out = states.copy()
    beside = np.zeros(states.size, bool)
    beside[:-1] |= states[1:] == BLEED
    beside[1:] |= states[:-1] == BLEED
    out[beside & (states == REST)] = BLEED
    for on, off in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        if states[on] != BLEED or states[on - 1] != GUITAR or states[off] != GUITAR:
            continue
        begins = level[on : on + 3].max() - level[max(0, on - 3) : on].min()
        ends = level[off : off + 3].max() - level[max(0, off - 3) : off].min()
        if begins >= RISES_DB and ends < RISES_DB:
            out[on:off] = GUITAR
    return out


def _led_in(level: FloatArray, clear: BoolArray, hidden: FloatArray, states: IntArray) -> IntArray:
    """The states with BLEED where a guitar seems to begin with the hit ahead of it: a start costs the same there, and a
    few frames of the hit that agree well draw it. A note under the hit that needs no guitar behind it to be found
    stays. clear: (frames) whether the mics agree. hidden: (frames) log odds of a guitar that a hit hides."""
    out = states.copy()
    for on in (np.flatnonzero((states[1:] == GUITAR) & (states[:-1] != GUITAR)) + 1).tolist():
        reach = slice(on, on + LEAD_IN + 2)
        size = int(np.argmin(np.append(states[reach] == GUITAR, False)))
        lead = slice(on, on + _lead(level[on : on + size], clear[on : on + size]))
        out[lead] = BLEED
        first, last = _note(hidden[lead])
        out[on + first : on + last] = GUITAR
    return out


def _note(hidden: FloatArray) -> tuple[int, int]:
    """The stretch of frames that says most for a guitar, if that outweighs its start and stop; else an empty one."""
    total = np.concatenate(([0.0], np.cumsum(hidden)))
    gain = total - np.minimum.accumulate(total)
    last = int(np.argmax(gain))
    return (int(np.argmin(total[: last + 1])), last) if gain[last] >= 2.0 * CHANGE else (0, 0)


def _lead(level: FloatArray, clear: BoolArray) -> int:
    """How many frames of what seems to be a guitar come before it rises out of what does not agree."""
    for k in (np.flatnonzero(clear[1:-1] & clear[2:] & ~clear[:-2]) + 1).tolist():
        top, before = float(level[k : k + 3].max()), clear[:k]
        longest = int(np.diff(np.flatnonzero(np.concatenate(([True], ~before, [True])))).max()) - 1
        stands_out = top >= level[:k].max() + STANDS_OUT_DB and 2 * np.count_nonzero(before) <= k
        by_chance = longest < SHORT and top >= level[:k][before].max(initial=-np.inf) + HEARD_DB
        if stands_out or (by_chance and top >= level[k - 1] + STANDS_OUT_DB):
            return k
    return 0
