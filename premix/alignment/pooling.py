"""Which performances share one delay for a mic: those that agree; a mic that was moved keeps its own.

A mic inverted in one performance did not move: it shares the delay, with a sign of its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

CLOSE_TOLERANCE_S = 25e-6
"""Answers of one set-up differ by less than this (9 mm) when other notes were played: by 2 us for broadband mics,
up to 12 us for coloured ones."""
SUB_TOLERANCE_S = 120e-6
"""The same for a sub mic, whose band is low and narrow."""
SPREADS = 4.0
"""Standard deviations that the noise of two estimates may set them apart."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """What one performance alone says of a mic."""

    kernel: int
    mic: int
    delay_samples: float
    polarity: int
    spread_samples: float


def agreeing(estimates: Sequence[Estimate], tolerance_samples: float) -> list[Estimate]:
    """The largest set of estimates whose delays agree within the tolerance and their own spreads.

    With no two in agreement the result holds at most one estimate: nothing is pooled.
    """
    best: list[Estimate] = []
    for centre in estimates:
        near = [
            e for e in estimates
            if abs(e.delay_samples - centre.delay_samples) <= _tolerance(e, centre, tolerance_samples)
        ]
        key = (len(near), -_scatter(near))
        if not best or key > (len(best), -_scatter(best)):
            best = near
    return best


def _tolerance(a: Estimate, b: Estimate, floor_samples: float) -> float:
    noise = SPREADS * float(np.hypot(a.spread_samples, b.spread_samples))
    return max(floor_samples, noise if np.isfinite(noise) else floor_samples)


def _scatter(estimates: Sequence[Estimate]) -> float:
    return float(np.std([e.delay_samples for e in estimates])) if estimates else 0.0


def tolerance_samples(is_sub: bool, rate: int) -> float:
    """How far apart estimates of one set-up may be, in samples."""
    return (SUB_TOLERANCE_S if is_sub else CLOSE_TOLERANCE_S) * rate
