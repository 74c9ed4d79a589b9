"""Which performances agree about a mic: what each alone says of it, and how far apart answers of one set-up may lie."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from premix.model.settings import Role

TOLERANCES_S: dict[Role, float] = {"close": 25e-6, "sub": 120e-6, "room": 500e-6}
"""Answers of one set-up differ by less than this (close: 9 mm) when other notes were played: by 2 us for broadband
mics, up to 12 us for coloured ones; a sub mic's band is low and narrow; a room's first sound is weak."""
SPREADS = 4.0
"""Standard deviations that the noise of two estimates may set them apart."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """What one performance alone says of a mic. spread_samples: infinite where the noise tells nothing."""

    kernel: int
    mic: int
    delay_samples: float
    polarity: int
    spread_samples: float


def agreeing(estimates: Sequence[Estimate], tolerance_samples: float) -> list[Estimate]:
    """The largest set of estimates whose delays agree within the tolerance and their own spreads.

    Of equally large ones the densest. With no two in agreement the result holds one estimate: nothing is pooled.
    """

    def agree(a: Estimate, b: Estimate) -> bool:
        noise = SPREADS * float(np.hypot(a.spread_samples, b.spread_samples))
        tolerance = max(tolerance_samples, noise) if np.isfinite(noise) else tolerance_samples
        return abs(a.delay_samples - b.delay_samples) <= tolerance

    sets = [[e for e in estimates if agree(e, centre)] for centre in estimates]
    return max(sets, key=lambda near: (len(near), -float(np.std([e.delay_samples for e in near]))))
