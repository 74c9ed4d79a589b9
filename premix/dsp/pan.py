"""Pan laws and the side gain of a stereo signal."""

import math

import numpy as np
import numpy.typing as npt

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
    linear = (0.5 * (1.0 - pan), 0.5 * (1.0 + pan))
    angle = 0.25 * math.pi * (1.0 + pan)
    power = (math.cos(angle), math.sin(angle))
    if law_db == -3:
        return power
    if law_db == -6:
        return linear
    if law_db == -4.5:
        return math.sqrt(linear[0] * power[0]), math.sqrt(linear[1] * power[1])
    if law_db == 0:
        return min(1.0, 2.0 * linear[0]), min(1.0, 2.0 * linear[1])
    raise ValueError(f"pan law {law_db} dB: allowed are 0, -3, -4.5, -6")


def apply_width(stereo: npt.NDArray[np.float64], width: float) -> None:
    """Scale the side signal of `stereo` (2, n) by `width`, in place; left + right stays what it was."""
    if width != 1.0:
        add_to_side(stereo, 0.5 * (width - 1.0) * (stereo[0] - stereo[1]))


def add_to_side(stereo: npt.NDArray[np.float64], change: npt.NDArray[np.float64]) -> None:
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
