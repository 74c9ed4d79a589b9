"""Gains of the mixdown: a gate curve sample by sample, pan laws, the side signal of a stereo signal."""

import math
from collections.abc import Callable
from functools import lru_cache
from itertools import groupby

import numpy as np

from premix.arrays import FloatArray
from premix.model.gate import Curve
from premix.units import db_to_gain

_ROW = 256
_NEPER = math.log(10.0) / 20.0


def curve_gain(curve: Curve, start: int, out: FloatArray) -> float | None:
    """Linear gain of the samples start to start + n of a curve, which is linear in dB between its breakpoints.

    out: (n,) float64, filled with the gains. Where the gain is the same for all n samples it is returned
    instead and `out` is left as it was; otherwise None is returned. Every sample's gain is the same bit for
    bit however the song is cut into blocks.
    """
    stop = start + out.size
    near = curve.between(start, stop)
    positions, gains_db = near.positions, near.gains_db
    first = int(np.searchsorted(positions, start, side="right")) - 1
    last = int(np.searchsorted(positions, stop - 1, side="right"))
    # Breakpoints around and inside the block; before the first and after the last of the curve it is constant.
    inside = slice(max(first, 0), min(last, len(positions) - 1) + 1)
    if (gains_db[inside] == gains_db[inside.start]).all():
        return db_to_gain(float(gains_db[inside.start]))
    edges, gains = positions[inside].tolist(), gains_db[inside].tolist()
    if edges[0] > start:
        edges, gains = [start, *edges], [gains[0], *gains]
    if edges[-1] < stop:
        edges, gains = [*edges, stop], [*gains, gains[-1]]
    fills = [_kind(edges[k + 1] - edges[k], gains[k + 1] - gains[k]) for k in range(len(edges) - 1)]
    for fill, run in groupby(range(len(fills)), lambda k: (fills[k], k if fills[k] is _long_ramp else 0)):
        part = list(run)
        points = slice(part[0], part[-1] + 2)
        begin, end = max(start, edges[part[0]]), min(stop, edges[part[-1] + 1])
        fill[0](edges[points], gains[points], begin, out[begin - start : end - start])
    return None


def _kind(length: int, change_db: float) -> Callable[[list[int], list[float], int, FloatArray], None]:
    """How a stretch between two breakpoints is filled: by nothing but itself, so that blocks agree on it."""
    if change_db == 0.0:
        return _flat
    return _long_ramp if length >= _ROW else _short_ramps


def _flat(edges: list[int], gains_db: list[float], begin: int, out: FloatArray) -> None:
    out.fill(db_to_gain(gains_db[0]))


def _short_ramps(edges: list[int], gains_db: list[float], begin: int, out: FloatArray) -> None:
    """Fill `out` with the gains from sample `begin` on, across all of the edges."""
    out[:] = np.interp(np.arange(begin, begin + out.size), edges, gains_db)
    np.exp(np.multiply(out, _NEPER, out=out), out=out)


def _long_ramp(edges: list[int], gains_db: list[float], begin: int, out: FloatArray) -> None:
    """The same between two edges: in dB a straight line is a geometric series, so that rows, counted from the
    ramp's own start, times one row of factors take no exponential a sample."""
    step_db = (gains_db[1] - gains_db[0]) / (edges[1] - edges[0])
    first, column = divmod(begin - edges[0], _ROW)
    rows = range(first, (begin - edges[0] + out.size - 1) // _ROW + 1)
    starts = np.array([db_to_gain(gains_db[0] + step_db * row * _ROW) for row in rows])
    out[:] = np.multiply.outer(starts, _factors(step_db)).ravel()[column : column + out.size]


@lru_cache(maxsize=8)
def _factors(step_db: float) -> FloatArray:
    """Gains of one row of a ramp against its first; a gate has two kinds of ramps, so they are kept."""
    factors: FloatArray = np.exp(np.arange(_ROW) * (step_db * _NEPER))
    factors.flags.writeable = False
    return factors


_GRID = 2.0**46


def pan_gains(pan: float, law_db: float) -> tuple[float, float]:
    """Gains of left and right for a mono signal at `pan` (-1 left, 0 centre, 1 right).

    -3: constant power, gL = cos, gR = sin, gL^2 + gR^2 = 1. -6: linear, gL + gR = 1. -4.5: the geometric mean
    of both. 0: no loss at the centre, the far side falls linearly. Hard left and right are exact (1, 0 / 0, 1)
    in every law. ValueError for any other law.
    """
    if pan <= -1.0:
        return 1.0, 0.0
    if pan >= 1.0:
        return 0.0, 1.0
    left, right = 0.5 * (1.0 - pan), 0.5 * (1.0 + pan)
    angle = 0.25 * math.pi * (1.0 + pan)
    cos, sin = math.cos(angle), math.sin(angle)
    laws = {
        -3.0: (cos, sin),
        -6.0: (left, right),
        -4.5: (math.sqrt(left * cos), math.sqrt(right * sin)),
        0.0: (min(1.0, 2.0 * left), min(1.0, 2.0 * right)),
    }
    if law_db not in laws:
        raise ValueError(f"pan law {law_db} dB: allowed are 0, -3, -4.5, -6")
    return laws[law_db]


def apply_width(stereo: FloatArray, width: float) -> None:
    """Scale the side signal of `stereo` (2, n) by `width`, in place; left + right stays what it was."""
    if width != 1.0:
        add_to_side(stereo, 0.5 * (width - 1.0) * (stereo[0] - stereo[1]))


def add_to_side(stereo: FloatArray, change: FloatArray) -> None:
    """Add `change` (n,) to the side signal of `stereo` (2, n), in place.

    All three are first rounded to multiples of 2^-46 (-277 dB): the sums are exact then, below 2^6, so that left +
    right is the same to the last bit whatever the change is.
    """
    for signal in (stereo, change):
        np.multiply(signal, _GRID, out=signal)
        np.rint(signal, out=signal)
        np.multiply(signal, 1.0 / _GRID, out=signal)
    stereo[0] += change
    stereo[1] -= change
