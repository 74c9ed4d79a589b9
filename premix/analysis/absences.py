"""Where one of two close mics is not there while the other plays.

Two mics have no majority: the mean of their levels in dB neither follows a hum in one of them nor a dead one, but
where one is silent it says that nobody plays. So once all is heard, the levels are looked at mic by mic: the guitar
plays where one mic is loud, though the other is far under what it has beside it elsewhere, for longer than a stop with
a tail in it lasts. A hum or a noise is no guitar: it stands still at the mic's own floor, or goes on in the other's
stops. In three mics and more the median holds.
"""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from premix.arrays import BoolArray, FloatArray

LOUD_DB = 15.0
"""A mic this near to its loud level plays."""
ABSENT_DB = 20.0
"""A mic is gone that is so far under its usual level beside the other; riff moves it by a third of this."""
LEAST_S = 1.0
"""So long must the other one play alone: a tail beside a gate that has closed is shorter."""
USUAL_S = 2.0
"""So long does a mic hold a level that is its own; a burst is shorter."""
FLOOR_PERCENT = 2.0
SILENT_DB = -110.0
"""A mic below holds nothing, which says nothing of its noise."""
NEAR_FLOOR_DB, FAR_DB = 3.0, 10.0
STILL_DB, LIVELY_DB = 1.0, 3.0
"""A hum lies near to the mic's floor unless it moves a lot, and is still unless it lies far above."""
LEAST_STOPS = 3
LEAST_TOGETHER = 0.1
"""Share of the riff in which both must play, so that their spectra are those of that part alone."""


@dataclass(frozen=True, slots=True)
class Absences:
    """Of every frame of a song: levels_db (N), as it is with both mics there; left_out (N), those that say nothing of
    what the two share."""

    levels_db: FloatArray
    left_out: BoolArray


def absences(own_db: FloatArray, subs: Sequence[bool], hop_s: float) -> Absences | None:
    """The frames of a song in which one of two mics is gone; None where both are always there, or there is no pair.

    own_db: (N, M) level of each close mic in each frame; subs: (M) which are sub mics, that hear little of what tells a
    riff: two other mics are a pair. hop_s: from one frame to the next.
    """
    full = np.flatnonzero(~np.array(subs, np.bool_)) if len(subs) != 2 else np.arange(2)
    if len(full) != 2 or not len(own_db):
        return None
    expected_db, left_out = own_db.copy(), np.zeros(len(own_db), np.bool_)
    for m, n in (full, full[::-1]):
        alone, usual_db = _alone(own_db[:, m], own_db[:, n], hop_s)
        expected_db[alone, n] = own_db[alone, m] + usual_db
        left_out |= alone
    if not left_out.any():
        return None
    playing = (own_db[:, full] >= _loud(own_db[:, full], hop_s) - LOUD_DB).any(axis=1)
    if np.count_nonzero(playing & ~left_out) < LEAST_TOGETHER * np.count_nonzero(playing):
        left_out[:] = False
    return Absences(np.median(expected_db, axis=1), left_out)


def _loud(own_db: FloatArray, hop_s: float) -> FloatArray:
    """Level that each mic (N, ...) holds for USUAL_S in all."""
    place = min(len(own_db), max(2, round(USUAL_S / hop_s)))
    return np.asarray(np.partition(own_db, -place, axis=0)[-place])


def _alone(mine: FloatArray, other: FloatArray, hop_s: float) -> tuple[BoolArray, float]:
    """(N) frames in which a mic (N) plays for long without the other (N), stops in between included, and what the other
    usually has on top of it, in dB."""
    nowhere = np.zeros(len(mine), np.bool_)
    playing = mine >= max(float(_loud(mine, hop_s)) - LOUD_DB, SILENT_DB)
    if not playing.any():
        return nowhere, 0.0
    more = (other - mine)[playing]
    usual = more[more >= float(_loud(more, hop_s)) - ABSENT_DB]
    usual_db = float(np.median(usual))
    alone = playing & (other < mine + usual_db - ABSENT_DB)
    softly = other < float(_loud(other, hop_s)) - ABSENT_DB
    runs = [run for run in _runs(alone, softly) if np.count_nonzero(alone[run]) * hop_s >= LEAST_S]
    found = nowhere.copy()
    for run in runs:
        found[run] = not _is_hum(mine, mine[run][alone[run]])
    stops = softly.copy()
    for run in runs:
        stops[run] = False
    if np.count_nonzero(stops) >= LEAST_STOPS and np.count_nonzero(alone & stops) > 0.5 * np.count_nonzero(stops):
        return nowhere, usual_db
    return found, usual_db


def _runs(alone: BoolArray, softly: BoolArray) -> Iterator[slice]:
    """From the first to the last of the frames in which a mic is alone, as long as the other is soft in between."""
    where = np.flatnonzero(alone)
    heard = np.cumsum(~(softly | alone))
    breaks = np.flatnonzero(np.diff(heard[where])) + 1
    edges = [0, *breaks.tolist(), len(where)]
    for first, stop in itertools.pairwise(edges):
        if stop > first:
            yield slice(int(where[first]), int(where[stop - 1]) + 1)


def _is_hum(mine: FloatArray, levels_db: FloatArray) -> bool:
    """Whether the levels of some frames of a mic (N) are those of a noise that is always there."""
    low, middle, high = np.percentile(levels_db, [10, 50, 90])
    above = float(middle - np.percentile(mine[mine >= SILENT_DB], FLOOR_PERCENT))
    moves = float(high - low)
    return not ((above >= NEAR_FLOOR_DB or moves >= LIVELY_DB) and (moves >= STILL_DB or above >= FAR_DB))
