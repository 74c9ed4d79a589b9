"""What the key is made of through the song: rest, bleed or guitar, frame by frame, and the levels that go with them.

A hidden Markov model with three states over the key's level and the agreement of its mics (Rabiner, "A tutorial on
hidden Markov models", Proc. IEEE 77(2), 1989). Its means move: the floor is that of the rests around, and the loud
level that of the guitar around, so that a quiet verse is measured by itself. They are found in turns with the most
likely states (segmental k-means, there section VI.A), twice.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from premix.arrays import BoolArray, FloatArray, IntArray
from premix.gate.agreement import STEP_MS, Agreement
from premix.gate.key import QUIETEST_DB, Key

SHORTEST_MS = 30.0
"""Less sound than this is no riff."""
BLOCK = 125
"""Judged frames from one value of a mean to the next: 1 s."""
AROUND = 4
"""Blocks to either side that the floor of a block is taken from."""
LOUD_BLOCKS = 1
"""Blocks before, and after, in which the loud level is looked for."""
DEEPEST_DB = -66.0
"""No floor is sought further below the loud level: no take is cleaner than that."""
SHALLOWEST_DB = -12.0
"""Nor nearer to it."""
CROWD_DB, CROWD = 3.0, 3.0
"""Noise: three times as many frames in the 3 dB above the lowest level as in the next 3 dB."""
VISITS, LEAVES_DB = 3, 10.0
"""A floor of its own has been left, by 10 dB, and come back to three times."""
CHANGE, SLIGHT_CHANGE = 5.0, 0.5
"""Costs of a change of state: where the guitar starts or stops, and between rest and bleed."""
REST, BLEED, GUITAR = 0, 1, 2
HIDES_DB, SEEN_DB = 6.0, 12.0
"""Bleed hides a guitar that is 6 dB weaker; one that should be 12 dB louder than that is missed for sure."""
CLEAR = 0.75
"""Agreement of frames whose level is the guitar's."""
AT_ONCE = 240
"""Blocks worked on at once, 4 min."""
PLAYED = 12
"""Frames of a block, at least, that make a level."""
RISES_DB = 2.0
"""A hit rises by this much over what it hides, and so does a new note over the bleed before it."""
MUTE_DB_PER_S = 100.0
DOUBT, BENEFIT, HIDDEN_MS = -0.5, 0.3, 120.0
"""What may be bleed or a guitar that it hides is rather bleed; but rather the guitar where it was heard just before."""
AGREES, CERTAINTY = 0.45, 12.0
"""Between what the guitar reaches (0.9 and more) and bleed (up to 0.4), and how quickly it counts."""


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


def follow(key: Key, agreement: Agreement) -> Followed | None:
    """Follow a performance's key; None where it holds nothing."""
    level = _levels(key)
    heard = level[level > QUIETEST_DB]
    if heard.size * STEP_MS < SHORTEST_MS:
        return None
    top = _top(heard)
    agrees = np.ones(level.size)
    loud_frames = level > top - 10.0
    if compared := agreement.possible and bool(loud_frames.any()):
        agrees = np.concatenate(list(agreement.of(loud_frames)))
        # Mics that do not agree while the guitar is loud say nothing of any other time.
        compared = float(np.median(agrees[loud_frames])) >= CLEAR
        agrees = agrees if compared else np.ones(level.size)
    clear = agrees > CLEAR if compared else np.ones(level.size, bool)
    loud = _loud(level, clear & (level > top - 40.0), top)
    floor, spread = _first_floors(level, agrees, loud, top)
    followed = Followed(floor, spread, loud, np.zeros(0, np.int32), compared)
    for _ in range(2):
        states = _states(level, agrees, followed)
        floor, spread = _moved_floors(level, states == REST, followed)
        loud = _loud(level, clear & (states == GUITAR), top)
        followed = Followed(floor, spread, loud, states, compared)
    return replace(followed, states=_uncovered(level, followed.states))


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
    return float(np.percentile(heard[heard > highest - 25.0], 75))


def _blocks(size: int) -> int:
    return -(-size // BLOCK)


def _loud(level: FloatArray, guitar: BoolArray, top: float) -> FloatArray:
    """(blocks) the loud level of the guitar around: the lower of the loudest of the last blocks and of the next.

    So the last block of a chorus does not make the verse's first notes soft ones. Where nothing is played for long,
    that of the nearest blocks where something is.
    """
    count = _blocks(level.size)
    own = np.full(count, -np.inf)
    for first, rows in _around(level, guitar, 0):
        inside = np.count_nonzero(rows < np.inf, axis=1)
        played = np.flatnonzero(inside >= PLAYED)
        own[first + played] = _percentile(rows[played], inside[played], 90.0)
    known = np.flatnonzero(np.isfinite(own))
    if not known.size:
        return np.full(count, top)
    padded = np.pad(own, LOUD_BLOCKS, constant_values=-np.inf)
    windows = np.lib.stride_tricks.sliding_window_view(padded, LOUD_BLOCKS + 1).max(axis=1)
    before, after = windows[:count], windows[LOUD_BLOCKS:]
    before = np.where(np.isfinite(before), before, after)
    after = np.where(np.isfinite(after), after, before)
    lower = np.minimum(before, after)
    known = np.flatnonzero(np.isfinite(lower))
    return np.asarray(np.interp(np.arange(count), known, lower[known]))


def _around(level: FloatArray, chosen: BoolArray, reach: int) -> Iterator[tuple[int, FloatArray]]:
    """(first block, (blocks, frames) sorted) of the chosen levels of each block and of `reach` blocks to either side;
    inf where there are no more of them."""
    count = _blocks(level.size)
    padded = np.full((count + 2 * reach) * BLOCK, np.inf)
    np.copyto(padded[reach * BLOCK :][: level.size], level, where=chosen)
    windows = np.lib.stride_tricks.sliding_window_view(padded, (2 * reach + 1) * BLOCK)[::BLOCK]
    for first in range(0, count, AT_ONCE):
        yield first, np.sort(windows[first : first + AT_ONCE], axis=1)


def _percentile(rows: FloatArray, counts: IntArray, percent: float) -> FloatArray:
    """Of the first `counts` of every sorted row, between the two nearest where it falls between them."""
    at = percent / 100.0 * (counts - 1)
    whole = np.floor(at).astype(np.int64)
    number = np.arange(len(rows))
    low, high = rows[number, whole], rows[number, np.minimum(whole + 1, counts - 1)]
    return np.asarray(low + (high - low) * (at - whole))


def _means(rows: FloatArray, use: BoolArray) -> tuple[FloatArray, FloatArray]:
    """(mean, standard deviation) of what is used of every row; something is."""
    counts = np.count_nonzero(use, axis=1)
    mean = np.sum(rows, axis=1, where=use) / counts
    return mean, np.sqrt(np.sum(np.square(rows - mean[:, None]), axis=1, where=use) / counts)


def _noise_db(rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(mean, standard deviation) of a steady noise at the bottom of sorted levels; NaN where there is none.

    A floor is a crowd at the lowest levels. Where the lowest levels are decays or quiet notes, the counts thin out
    towards the bottom. rows: inf where there is no level.
    """
    counts = np.count_nonzero(rows < np.inf, axis=1)
    mean, spread = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    k = np.flatnonzero(counts >= 8)
    rows = rows[k]
    edge = _percentile(rows, counts[k], 0.5)[:, None] + CROWD_DB
    crowd, above = (np.count_nonzero(rows < edge + by, axis=1) for by in (0.0, CROWD_DB))
    real = (crowd >= CROWD * (above - crowd)) & (crowd >= 4)
    mean[k[real]], spread[k[real]] = _means(rows[real], rows[real] < edge[real])
    return mean, spread


def _first_floors(level: FloatArray, agrees: FloatArray, loud: FloatArray, top: float) -> tuple[FloatArray, FloatArray]:
    """(blocks) floor and spread before any state is known."""
    own = agrees > AGREES - 0.2  # may be the mics' own noise
    heard = own & (level > QUIETEST_DB)  # digital silence is no noise
    mean, deviation = (float(each[0]) for each in _noise_db(np.sort(level[heard])[None]))
    lowest = max(top + DEEPEST_DB, QUIETEST_DB)
    if np.isnan(mean) and np.count_nonzero(~own) >= PLAYED:
        # Bleed all over: where there is least of it, nothing else is heard.
        mean, deviation = float(np.percentile(level[~own], 3)), 1.5
    if np.isnan(mean) or mean > top + SHALLOWEST_DB:
        mean, deviation = lowest, 1.0
    floor, spread = np.full(loud.size, max(mean, lowest)), np.full(loud.size, deviation)
    for first, rows in _around(level, heard, AROUND):
        part = slice(first, first + len(rows))
        noise = _noise_db(rows)
        differs = (noise[0] >= floor[part] + CROWD_DB) & (noise[0] <= loud[part] + SHALLOWEST_DB)
        for block in (first + np.flatnonzero(differs)).tolist():
            near = slice(max(0, block - AROUND) * BLOCK, (block + AROUND + 1) * BLOCK)
            if _visits(level[near][own[near]], float(noise[0][block - first])) >= VISITS:
                floor[block], spread[block] = (each[block - first] for each in noise)
    return floor, spread


def _visits(near: FloatArray, noise_db: float) -> int:
    """How often some levels come back to a noise that they had left."""
    known = np.flatnonzero((near < noise_db + CROWD_DB) | (near > noise_db + LEAVES_DB))
    return int(np.count_nonzero(np.diff((near[known] > noise_db + LEAVES_DB).astype(int)) < 0))


def _moved_floors(level: FloatArray, rest: BoolArray, followed: Followed) -> tuple[FloatArray, FloatArray]:
    """(blocks) floor and spread of the rests around each block; where there are none, as before."""
    floor, spread = followed.floor_db.copy(), followed.spread_db.copy()
    lowest = floor.min()
    for first, rows in _around(level, rest & (level > QUIETEST_DB), AROUND):
        counts = np.count_nonzero(rows < np.inf, axis=1)
        k = np.flatnonzero(counts >= 12)
        middle = _percentile(rows[k], counts[k], 50.0)
        mean, spread[first + k] = _means(rows[k], rows[k] < middle[:, None] + 6.0)
        floor[first + k] = np.maximum(mean, lowest)
    return floor, spread


def _states(level: FloatArray, agrees: FloatArray, followed: Followed) -> IntArray:
    """The most likely states (Viterbi)."""
    at = np.arange(level.size, dtype=np.float64)
    floor, spread = (followed.at(v, at) for v in (followed.floor_db, followed.spread_db))
    above = level - floor
    spread = np.clip(spread, 1.2, 3.0)
    rest = np.maximum(-0.5 * (np.maximum(above, 0.0) / spread) ** 2, -8.0)
    sounds = -2.5 - 0.7 * np.maximum(0.0, 3.0 - above)
    clear = (agrees > CLEAR) & (above > 6.0)
    seen = np.clip((_expected(level, clear) - (level - HIDES_DB)) / SEEN_DB, 0.0, 1.0)
    doubt = np.where(_since(clear) <= HIDDEN_MS / STEP_MS, BENEFIT, DOUBT)
    lean = np.clip(CERTAINTY * (_above_floor(agrees, above) - AGREES), -4.0, 4.0)
    lean = np.where(lean < 0.0, np.where(lean * seen < doubt, lean * seen, np.maximum(lean, doubt)), lean)
    guitar = sounds + 0.5 * lean
    bleed = sounds - 0.5 * lean if followed.compared else np.full(level.size, -1e3)
    return _viterbi(np.stack([rest, bleed, guitar], axis=1))


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


def _viterbi(scores: FloatArray) -> IntArray:
    """The path of the highest sum of scores (frames, 3), less CHANGE where the guitar starts or stops, and less
    SLIGHT_CHANGE between rest and bleed.

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
