"""The automatic threshold: where the key's own level tells playing from not playing.

Two populations make up the key: playing (loud, with decays) and not playing (hiss, hum, bleed). A level between
them is crossed where the riff starts and stops, and nowhere else; and most stops are sudden falls, because a
hand falls on the strings, while notes, drum hits and rooms die away slowly. So every level is scored by how the
key falls through it: sudden falls count for it, slow ones a third as much against it. Bleed makes the levels that
it reaches bad ones, whatever its share of the time. A quiet verse does not: it changes how loud playing is, not
how it stops. Among equally good levels the lowest is taken, for the sake of quiet notes. Terrell, Reiss &
Sandler (EURASIP JASP 2010:465417) likewise find all but the range from the signal, and leave the range to the
user.
"""

from dataclasses import dataclass

import numpy as np

from premix.arrays import FloatArray, IndexArray
from premix.gate.key import QUIETEST_DB, Key

STEP_DB = 0.5
ABOVE_DB, BELOW_DB, SUDDEN_MS = 5.0, 4.0, 8.0
"""A sudden fall comes from 5 dB above a level to 4 dB below it within 8 ms before and 8 ms after: 0.6 dB/ms.
Damped strings fall by 2 to 5 dB/ms; drums, palm mutes and rooms by 0.1 to 0.5."""
DEEPEST_DB = -54.0
"""No threshold is set lower below the loud level: no take is cleaner than that, and no sustain worth more."""
HIGHEST_DB = -17.0
"""Nor higher: closer to the loud level than this is the riff's own dynamics."""
LOUD_PERCENTILE = 95.0
SLOW_WEIGHT = 0.35
"""Slow falls against sudden ones: three of four stops may be notes that die away."""
BAND_DB = 3.0
"""A level is as good as the mean of the levels up to this far above it: the gate opens a little higher."""
TIE = 0.05
"""Scores this fraction below the best count as equal."""
REACH = 0.5
"""The shutting level is the lowest that half of the sudden falls reach: the others fall on bleed."""
SHORTEST_RIFF_S = 0.03
"""Less sound than this is no riff."""
FLOOR_WIDTH_DB = 4.0
FLOOR_SHARE = 0.002
FLOOR_CROWD = 3.0
"""A noise floor: the 4 dB above the lowest 0.2 % of the frames hold three times as many as the next 4 dB."""

BINS = round((40.0 - QUIETEST_DB) / STEP_DB)
LEVELS_DB: FloatArray = np.linspace(QUIETEST_DB, 40.0, BINS, endpoint=False)


@dataclass(frozen=True, slots=True)
class Populations:
    """The key's two populations.

    loud_db: loud level, the 95th percentile of the playing population, in dB re full scale. Against it:
    split_db, the level that tells playing from not playing, and shut_db, down to which sudden falls reach (a
    note that dies away sinks that far before it is lost). falls, sudden: falls of the key through the split,
    and how many of them were sudden. silent: the key holds nothing at all.
    """

    loud_db: float
    split_db: float
    shut_db: float
    falls: int = 0
    sudden: int = 0
    silent: bool = False


NOTHING = Populations(QUIETEST_DB, DEEPEST_DB, DEEPEST_DB, silent=True)


def find_populations(key: Key) -> Populations:
    """Tell playing from not playing in one performance's key; where nothing tells them apart, all is playing."""
    frames, falls, sudden = _count_levels(key)
    if frames[1:].sum() * key.frame_s < SHORTEST_RIFF_S:
        return NOTHING
    loud = _loud_above(frames, SHORTEST_RIFF_S / key.frame_s)
    lowest = np.maximum(loud + DEEPEST_DB, _noise_floor_db(frames))
    allowed = (lowest <= LEVELS_DB) & (loud + HIGHEST_DB >= LEVELS_DB)
    if not allowed.any():
        return Populations(float(loud[0]), DEEPEST_DB, DEEPEST_DB)
    balance = sudden - SLOW_WEIGHT * (falls - sudden)
    score = np.where(allowed, _mean_above(balance, BAND_DB), -np.inf)
    split = int(np.argmax(score >= score.max() - TIE * abs(score.max())))
    lost = np.flatnonzero(~allowed[:split] | (sudden[:split] < REACH * sudden[split]))
    shut = int(lost[-1]) + 1 if lost.size else 0
    split_db, shut_db = (float(LEVELS_DB[i] - loud[split]) for i in (split, shut))
    return Populations(float(loud[split]), split_db, shut_db, int(falls[split]), int(sudden[split]))


def _count_levels(key: Key) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of each of LEVELS_DB, in one pass over the song: frames whose level it is, falls through it, sudden falls."""
    frames, falls, sudden = np.zeros(BINS), np.zeros(BINS + 1), np.zeros(BINS + 1)
    reach = key.span(SUDDEN_MS)
    for _, level in key.chunks(before=reach, after=reach + 1):
        now, following = level[reach : -reach - 1], level[reach + 1 : -reach]
        frames += np.bincount(_bin(now), minlength=BINS)
        k = np.flatnonzero(_bin(now) > _bin(following))
        top, bottom = now[k], following[k]
        falls += _steps(top, bottom)
        earlier, later = level[k] - ABOVE_DB, level[k + 2 * reach + 1] + BELOW_DB
        sudden += _steps(np.minimum(top, earlier), np.maximum(bottom, later))
    return frames, np.cumsum(falls[:-1]), np.cumsum(sudden[:-1])


def _noise_floor_db(frames: FloatArray) -> float:
    """Upper edge of a steady noise floor in the counts of levels; -inf where the song shows none.

    A floor is a crowd at the lowest levels. Where the lowest levels are decays or quiet notes there is none:
    the counts thin out towards the bottom. Digital silence is no noise.
    """
    heard = frames.copy()
    heard[0] = 0.0
    width = round(FLOOR_WIDTH_DB / STEP_DB)
    lowest = int(np.searchsorted(np.cumsum(heard), FLOOR_SHARE * heard.sum()))
    crowd, above = heard[lowest : lowest + width].sum(), heard[lowest + width : lowest + 2 * width].sum()
    return float(LEVELS_DB[lowest]) + FLOOR_WIDTH_DB if crowd > FLOOR_CROWD * above else -np.inf


def _bin(level_db: FloatArray) -> IndexArray:
    """Index of the highest of LEVELS_DB that the level reaches."""
    return np.clip((level_db - QUIETEST_DB) / STEP_DB, 0, BINS - 1).astype(np.int64)


def _steps(top_db: FloatArray, bottom_db: FloatArray) -> FloatArray:
    """Falls from top to bottom as +1 where they begin and -1 where they end among LEVELS_DB, to be summed up."""
    top, bottom = _bin(top_db), _bin(bottom_db)
    real = top > bottom
    up = np.bincount(bottom[real] + 1, minlength=BINS + 1)
    return (up - np.bincount(top[real] + 1, minlength=BINS + 1)).astype(np.float64)


def _mean_above(values: FloatArray, reach_db: float) -> FloatArray:
    """Mean of each value and those of the levels up to `reach_db` above it."""
    count = round(reach_db / STEP_DB) + 1
    return np.convolve(np.pad(values, (0, count - 1), mode="edge"), np.full(count, 1.0 / count), mode="valid")


def _loud_above(frames: FloatArray, fewest: float) -> FloatArray:
    """For every level, the loud level of all frames that reach it; -inf where they are too few."""
    reach = np.cumsum(frames[::-1])[::-1]
    # reach falls from bin to bin: the highest bin that still holds the loudest 5 % of the frames
    loudest = (1.0 - LOUD_PERCENTILE / 100.0) * reach
    index = np.searchsorted(-reach, -loudest, side="right") - 1
    return np.where(reach >= fewest, LEVELS_DB[index], -np.inf)
