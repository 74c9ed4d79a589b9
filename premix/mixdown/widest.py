"""The widest guitar bus that keeps a mono fold or a correlation, in closed form from one pass of the mix at width 1.

With mid m = (L+R)/2 and side s = (L-R)/2, a width w gives L = m + w s and R = m - w s. Of the sums M = sum m^2,
S = sum s^2 and C = sum m s over the song:
    mono fold    M / (M + w^2 S)
    correlation  (M - w^2 S) / sqrt((M + w^2 S)^2 - 4 w^2 C^2)
Both fall as w grows. With t = rho / sqrt(1 - rho^2) and D = sqrt(M S - C^2) the second is M - w^2 S = 2 t w D, a
quadratic in w. What any level, trim or channel order does to the guitar bus changes neither.
"""

import math
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np

from premix.arrays import FloatArray
from premix.errors import Finding
from premix.measures.meters import GUITARS
from premix.mixdown.render import Progress, render
from premix.model.mix import MixPlan
from premix.model.settings import WidthLimit
from premix.units import db_to_power

MOST_WIDTH = 2.0
"""The recipe's range ends there."""
NO_SIDE = 1e-14
"""Side against mid, in energy, below which there is nothing to widen: -140 dB is what sums of doubles leave."""


@dataclass(slots=True)
class MidSide:
    """A sink that keeps the sums of the guitar bus: mid^2, side^2 and mid times side."""

    mid: float = 0.0
    side: float = 0.0
    cross: float = 0.0

    def take(self, blocks: Mapping[str, FloatArray]) -> Callable[[], object]:
        left, right = blocks[GUITARS]
        mid, side = 0.5 * (left + right), 0.5 * (left - right)
        self.mid += float(np.vecdot(mid, mid))
        self.side += float(np.vecdot(side, side))
        self.cross += float(np.vecdot(mid, side))
        return list

    def widest(self, limit: WidthLimit) -> float | None:
        """The largest width that keeps `limit`, infinite where every width does; None where there is no side signal."""
        if self.side <= NO_SIDE * self.mid:
            return None
        if limit.mono_fold_db is not None:
            return math.sqrt(self.mid / self.side * (1.0 / db_to_power(limit.mono_fold_db) - 1.0))
        rho = limit.correlation or 0.0
        if abs(rho) == 1.0:
            return 0.0 if rho > 0.0 else math.inf
        reach = rho / math.sqrt(1.0 - rho**2) * math.sqrt(max(0.0, self.mid * self.side - self.cross**2))
        return (math.sqrt(reach**2 + self.mid * self.side) - reach) / self.side


def at_limit(
    plan: MixPlan, *, pool: Executor | None = None, progress: Progress = lambda samples: None
) -> tuple[MixPlan, tuple[Finding, ...]]:
    """The mix with the width that its guitar bus's limit asks for, and what is to be said of it; as it is without one.

    The whole song is mixed once for it, at width 1.
    """
    limit = plan.guitar_bus.limit
    if limit is None:
        return plan, ()
    sums = MidSide()
    render(plan, [GUITARS], sums, pool=pool, progress=progress)
    width, subject = sums.widest(limit), "guitar_bus.width"
    if width is None:
        return plan, (Finding("width-no-side", "warning", subject, "both sides are alike: no width changes anything"),)
    kept = min(width, MOST_WIDTH)
    asked = (
        f"a correlation of {limit.correlation:g}"
        if limit.mono_fold_db is None
        else f"a mono fold of {limit.mono_fold_db:g} dB"
    )
    more = "" if width <= MOST_WIDTH else f"; {MOST_WIDTH:g} is the widest there is"
    told = Finding("width-kept", "info", subject, f"{kept:.4f} is the widest that keeps {asked}{more}")
    return replace(plan, guitar_bus=replace(plan.guitar_bus, width=kept)), (told,)
