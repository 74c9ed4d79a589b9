"""The gain of a gate curve, sample by sample, for the mixdown."""

import math
from functools import lru_cache

import numpy as np

from premix.model.analysis import FloatArray
from premix.model.gate import GateCurve
from premix.units import db_to_gain

_ROW = 256


def curve_gain(curve: GateCurve, start: int, out: FloatArray) -> float | None:
    """Linear gain of the samples start to start + n of a curve whose breakpoints are linear in dB between
    them.

    out: (n,) float64, filled with the gains. Where the gain is the same for all n samples it is returned
    instead and `out` is left as it was; otherwise None is returned. Every sample's gain is the same bit for
    bit however the song is cut into blocks.
    """
    positions, gains_db = curve.positions, curve.gains_db
    stop = start + out.size
    first = int(np.searchsorted(positions, start, side="right")) - 1
    last = int(np.searchsorted(positions, stop - 1, side="left"))
    around = gains_db[max(first, 0) : min(last, len(positions) - 1) + 1]
    if (around == around[0]).all():
        return db_to_gain(float(around[0]))
    for left in range(first, last):
        begin = start if left < 0 else max(start, int(positions[left]))
        end = stop if left + 1 >= len(positions) else min(stop, int(positions[left + 1]))
        _fill(curve, left, begin, out[begin - start : end - start])
    return None


def _fill(curve: GateCurve, left: int, begin: int, out: FloatArray) -> None:
    """Fill `out` with the gains from sample `begin` on, all between breakpoint `left` and the next one."""
    at, right = max(left, 0), min(left + 1, len(curve.positions) - 1)
    from_db, to_db = float(curve.gains_db[at]), float(curve.gains_db[right])
    if from_db == to_db:
        out[:] = db_to_gain(from_db)
        return
    # A ramp in dB is a geometric series: rows counted from the breakpoint (not from the block) times one row
    # of factors. No exponential is taken over a block: its last bit could depend on where the block ends.
    origin = int(curve.positions[at])
    step_db = (to_db - from_db) / (int(curve.positions[right]) - origin)
    first, column = divmod(begin - origin, _ROW)
    rows = range(first, (begin - origin + out.size - 1) // _ROW + 1)
    starts = np.array([db_to_gain(from_db + step_db * row * _ROW) for row in rows])
    out[:] = np.multiply.outer(starts, _factors(step_db)).ravel()[column : column + out.size]


@lru_cache(maxsize=8)
def _factors(step_db: float) -> FloatArray:
    """Gains of one row of a ramp against its first; a gate has two kinds of ramps, so they are kept."""
    factors: FloatArray = np.exp(np.arange(_ROW) * (step_db * math.log(10.0) / 20.0))
    factors.flags.writeable = False
    return factors
