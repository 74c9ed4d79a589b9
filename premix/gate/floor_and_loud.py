"""The floor and the loud level of a key, second by second: the levels that everything else is measured against.

Both are taken from frames of 8 ms around each block of the song, so that a quiet verse has a loud level of its own, and
a take whose noise changes a floor of its own.
"""

from collections.abc import Iterator

import numpy as np

from premix.arrays import BoolArray, FloatArray, IntArray
from premix.gate.key import QUIETEST_DB

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
AT_ONCE = 240
"""Blocks worked on at once, 4 min."""
PLAYED = 12
"""Frames of a block, at least, that make a level."""


def _blocks(size: int) -> int:
    return -(-size // BLOCK)


def loud_levels(level: FloatArray, guitar: BoolArray, top: float) -> FloatArray:
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


def first_floors(level: FloatArray, own: BoolArray, loud: FloatArray, top: float) -> tuple[FloatArray, FloatArray]:
    """(blocks) floor and spread before any state is known. own: (frames) whether it may be the mics' own noise; loud:
    (blocks) loud level; top: that of the song."""
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


def moved_floors(
    level: FloatArray, rest: BoolArray, floor: FloatArray, spread: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """(blocks) floor and spread of the rests around each block; where there are none, as before."""
    floor, spread = floor.copy(), spread.copy()
    lowest = floor.min()
    for first, rows in _around(level, rest & (level > QUIETEST_DB), AROUND):
        counts = np.count_nonzero(rows < np.inf, axis=1)
        k = np.flatnonzero(counts >= 12)
        middle = _percentile(rows[k], counts[k], 50.0)
        mean, spread[first + k] = _means(rows[k], rows[k] < middle[:, None] + 6.0)
        floor[first + k] = np.maximum(mean, lowest)
    return floor, spread
