"""A preamp that is touched in the song: a step of one mic's level against the reference, in all bands alike.

The print's level does not depend on the notes, so its stretches scatter by hundredths of a dB, and one step is seen by
the two means before and after it (the likelihood-ratio test for a change of the mean: Hinkley, Biometrika 57(1), 1970).
What all mics do at once is the reference's.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from premix.arrays import FloatArray
from premix.errors import Finding
from premix.measures.moves import SURE
from premix.units import clock

LEAST_STRETCHES, LEAST_PART = 6, 2
SCATTER_DB = {"close": 0.08, "sub": 0.2, "room": 0.3}
"""Least standard error of a step, by role: a verse and a chorus differ by so much where nothing is touched."""
NOTES = 1.5
"""Stretches of one riff scatter less than those of several by this."""
GONE_DB = 12.0
"""A mic that falls by more is gone, which is told elsewhere."""


@dataclass(frozen=True, slots=True)
class LevelStep:
    """db: how much louder a mic is from at_s on, right within `within_db`."""

    mic: str
    at_s: float
    db: float
    within_db: float


def level_steps(levels_db: Mapping[str, FloatArray], roles: Mapping[str, str], starts_s: FloatArray) -> list[LevelStep]:
    """One step a mic at most. levels_db: (J) of every mic against the reference, stretch by stretch; starts_s: (J)
    where the stretches begin."""
    found = [_step(name, series, roles[name], starts_s) for name, series in levels_db.items()]
    return [step for step in found if step is not None]


def _step(name: str, series: FloatArray, role: str, starts_s: FloatArray) -> LevelStep | None:
    count = len(series)
    if count < LEAST_STRETCHES or not np.isfinite(series).all():
        return None
    best: tuple[float, int, float, float] | None = None
    for split in range(LEAST_PART, count - LEAST_PART + 1):
        before, after = series[:split], series[split:]
        size = float(np.median(after) - np.median(before))
        left = np.concatenate([before - before.mean(), after - after.mean()])
        spread = float(np.sqrt((left**2).sum() / (count - 2)))
        error = float(np.hypot(NOTES * spread * np.sqrt(1.0 / len(before) + 1.0 / len(after)), SCATTER_DB[role]))
        if best is None or abs(size) / error > best[0]:
            best = abs(size) / error, split, size, error
    assert best is not None, "there are places to split at"
    sure, split, size, error = best
    if sure < SURE or abs(size) > GONE_DB:
        return None
    return LevelStep(name, float(starts_s[split]), size, SURE * error)


def step_findings(
    performance: str, reference: str, steps: list[LevelStep], others: int, known: frozenset[str]
) -> Iterator[Finding]:
    """A warning a mic. others: how many mics were looked at; known: mics ('left_a/ribbon') whose level is told."""
    if len(steps) > 1 and len(steps) == others and np.ptp([step.at_s for step in steps]) < 3.0:
        first = max(steps, key=lambda step: step.db / step.within_db)
        steps = [LevelStep(reference, first.at_s, -float(np.median([s.db for s in steps])), first.within_db)]
    for step in steps:
        label = f"{performance}/{step.mic}"
        if label not in known:
            way = "louder" if step.db > 0.0 else "softer"
            size = f"{abs(step.db):.1f} ± {step.within_db:.1f} dB"
            what = f"{way} by {size} against the other mics from {clock(step.at_s)} on, in all bands alike: its preamp"
            yield Finding("alignment-dropout", "warning", label, what)
