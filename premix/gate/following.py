"""What the key is made of through the song: rest, bleed or guitar, frame by frame, and the levels that go with them.

A hidden Markov model with three states over the key's level and the agreement of its mics (Rabiner, "A tutorial on
hidden Markov models", Proc. IEEE 77(2), 1989). Its means move: the floor is that of the rests around, and the loud
level that of the guitar around, so that a quiet verse is measured by itself. They are found in turns with the most
likely states (segmental k-means, there section VI.A), twice.
"""

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
    for block in range(count):
        part = slice(block * BLOCK, (block + 1) * BLOCK)
        inside = level[part][guitar[part]]
        if inside.size >= PLAYED:
            own[block] = np.percentile(inside, 90)
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


def _noise_db(level: FloatArray) -> tuple[float, float] | None:
    """(mean, standard deviation) of a steady noise at the bottom of some levels; None where there is none.

    A floor is a crowd at the lowest levels. Where the lowest levels are decays or quiet notes, the counts thin out
    towards the bottom. Digital silence is no noise.
    """
    heard = level[level > QUIETEST_DB]
    if heard.size < 8:
        return None
    lowest = float(np.percentile(heard, 0.5))
    crowd = heard[heard < lowest + CROWD_DB]
    above = np.count_nonzero((heard >= lowest + CROWD_DB) & (heard < lowest + 2 * CROWD_DB))
    if crowd.size < CROWD * above or crowd.size < 4:
        return None
    return float(crowd.mean()), float(crowd.std())


def _first_floors(level: FloatArray, agrees: FloatArray, loud: FloatArray, top: float) -> tuple[FloatArray, FloatArray]:
    """(blocks) floor and spread before any state is known."""
    own = agrees > AGREES - 0.2  # may be the mics' own noise
    whole = _noise_db(level[own])
    lowest = max(top + DEEPEST_DB, QUIETEST_DB)
    if whole is None and np.count_nonzero(~own) >= PLAYED:
        # Bleed all over: where there is least of it, nothing else is heard.
        whole = float(np.percentile(level[~own], 3)), 1.5
    if whole is None or whole[0] > top + SHALLOWEST_DB:
        whole = (lowest, 1.0)
    floor = np.full(loud.size, max(whole[0], lowest))
    spread = np.full(loud.size, whole[1])
    for block in range(loud.size):
        part = slice(max(0, block - AROUND) * BLOCK, (block + AROUND + 1) * BLOCK)
        near = level[part][own[part]]
        noise = _noise_db(near)
        if noise is None or noise[0] < floor[block] + CROWD_DB or noise[0] > loud[block] + SHALLOWEST_DB:
            continue
        known = np.flatnonzero((near < noise[0] + CROWD_DB) | (near > noise[0] + LEAVES_DB))
        visits = np.count_nonzero(np.diff((near[known] > noise[0] + LEAVES_DB).astype(int)) < 0)
        if visits >= VISITS:
            floor[block], spread[block] = noise
    return floor, spread


def _moved_floors(level: FloatArray, rest: BoolArray, followed: Followed) -> tuple[FloatArray, FloatArray]:
    """(blocks) floor and spread of the rests around each block; where there are none, as before."""
    floor, spread = followed.floor_db.copy(), followed.spread_db.copy()
    for block in range(floor.size):
        part = slice(max(0, block - AROUND) * BLOCK, (block + AROUND + 1) * BLOCK)
        near = level[part][rest[part]]
        near = near[near > QUIETEST_DB]
        if near.size >= 12:
            middle = float(np.median(near))
            near = near[near < middle + 6.0]
            floor[block] = max(float(near.mean()), floor.min())
            spread[block] = float(near.std())
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
    SLIGHT_CHANGE between rest and bleed."""
    rest = bleed = guitar = 0.0
    came: list[tuple[int, int, int]] = []
    for r, b, g in scores.tolist():
        idle, of_idle = (rest, REST) if rest >= bleed else (bleed, BLEED)
        from_rest = from_bleed = from_guitar = GUITAR
        most = guitar - CHANGE
        next_rest, next_bleed, next_guitar = most, most, guitar
        if idle - CHANGE > guitar:
            next_guitar, from_guitar = idle - CHANGE, of_idle
        slight = bleed - SLIGHT_CHANGE
        if rest >= slight and rest >= next_rest:
            next_rest, from_rest = rest, REST
        elif slight > next_rest:
            next_rest, from_rest = slight, BLEED
        slight = rest - SLIGHT_CHANGE
        if bleed >= slight and bleed >= next_bleed:
            next_bleed, from_bleed = bleed, BLEED
        elif slight > next_bleed:
            next_bleed, from_bleed = slight, REST
        came.append((from_rest, from_bleed, from_guitar))
        rest, bleed, guitar = next_rest + r, next_bleed + b, next_guitar + g
    state = int(np.argmax((rest, bleed, guitar)))
    path = np.zeros(len(came), np.int32)
    for k in range(len(came) - 1, -1, -1):
        path[k] = state
        state = came[k][state]
    return path


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
