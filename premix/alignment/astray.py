"""Passages in which a mic does not fit the others, with its changes followed: the sum itself tells that it is wrong.

What is followed is one mic that goes elsewhere, by so much and for so long. A passage of another take, one that
slipped by more than is looked for, or a turn of polarity that is over in less than a stretch is none of that; but the
sum of the mics reaches less there than in the rest of the song, which no riff does by itself.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from premix.alignment.case import Case
from premix.alignment.changes import EDGE, GOOD_FIT
from premix.alignment.stretches import Stretch
from premix.alignment.trails import MIN_CHANGE_S, Trails
from premix.arrays import BoolArray, FloatArray, IntArray
from premix.errors import Finding, Severity, listed
from premix.model.alignment import MicDecision, Passage
from premix.model.song import Song
from premix.units import clock

LOST_DB = 0.6
"""A stretch in which the sum reaches so much less than in the good ones holds something that does not fit: where
nothing changes, full stretches of riff stay within 0.4 dB."""
GOOD = 75.0
"""Percentile of what stretches reach that is taken for the usual: the fault may fill most of the song."""
FULL_S = 1.0
"""Riff in a stretch whose sum is a measure: an attack or a tail alone is none."""
RESTORED_DB = 0.3
"""The others are as good as ever that reach all but so much of the usual."""
AGAINST = -0.5
"""A mic that takes so much away from the other is turned over: by chance, bands fall on either side."""
SAME = 0.05
"""Mics that miss the others by as much as this alike: the reference is the last to be blamed."""

MOMENT_S = 0.35
"""When a mic falls silent is known to a frame or so, and frames reach into the stretch beside."""


@dataclass(frozen=True, slots=True)
class Astray:
    """A mic that does not fit from `from_s` to `to_s`, where the sum is `lost_db` under the usual, at worst."""

    mic: str
    from_s: float
    to_s: float
    lost_db: float


def astray_of(
    trails: Trails,
    soft: Trails | None,
    case: Case,
    decisions: Sequence[MicDecision],
    steps: Mapping[str, Sequence[Passage]],
    silent_s: Sequence[float],
) -> Iterator[Astray]:
    """The passages of one performance in which a mic of the sum does not fit.

    soft: what the sum reaches where the song is too soft for trails. steps: by mic, where it was found to change; what
    it does there is told as that. silent_s: when mics fall silent or join in; they share half of such a stretch.
    """
    full = np.array([stretch.riff_s >= FULL_S for stretch in trails.stretches])
    summed = [m for m, d in enumerate(decisions) if d.summed and d.role != "room" and d.refusal is None]
    if not full.any() or len(summed) < 2:
        return
    usual_db, usual = (np.percentile(own[full], GOOD, axis=0) for own in (trails.efficiencies_db, trails.reached))
    off = full & (usual_db - trails.efficiencies_db >= LOST_DB) & ~_told(trails.stretches, steps, silent_s)
    for run in _runs(off):
        m = _furthest((usual - trails.reached[run]).mean(axis=0), summed, decisions)
        yield _astray(trails, run, case, m, usual_db)
    if soft is not None:
        without_db = np.percentile(trails.without_db[full], GOOD, axis=0)
        least = EDGE * MIN_CHANGE_S["close"] * case.signal.rate
        alone = _alone(soft, usual_db, without_db, decisions, least)
        off = (alone >= 0) & ~_told(soft.stretches, steps, silent_s)
        for run in _runs(off):
            yield _astray(soft, run, case, int(np.bincount(alone[run][alone[run] >= 0]).argmax()), usual_db)


def _astray(trails: Trails, run: slice, case: Case, m: int, usual_db: float) -> Astray:
    held = trails.stretches[run]
    lost_db = float((usual_db - trails.efficiencies_db[run]).max())
    return Astray(case.mics[m].name, held[0].from_s, held[-1].to_s, lost_db)


def _alone(
    soft: Trails, usual_db: float, without_db: FloatArray, decisions: Sequence[MicDecision], least: float
) -> IntArray:
    """(S) of each soft stretch the mic that does not fit while the others do; -1 where there is none.

    It must fit in another place: noise fits nowhere, or at home, a little. What comes from elsewhere than the amp,
    drums ahead of the song, leaves none in its place; low notes alone, in a sub mic, are no evidence. Two mics cannot
    tell: there one must be clearly against the other. least: samples from which another place counts.
    """
    broad = [m for m, d in enumerate(decisions) if d.summed and d.role == "close" and d.refusal is None]
    found = np.full(len(soft.stretches), -1, np.int32)
    if len(broad) < 2:
        return found
    short_db = (without_db - soft.without_db)[:, broad]
    best = np.asarray(broad)[np.argmin(short_db, axis=1)]
    if len(broad) == 2:
        best = np.array([_furthest(-own, broad, decisions) for own in soft.reached])
    rows = np.arange(len(best))
    off = (usual_db - soft.efficiencies_db >= LOST_DB) & (short_db.min(axis=1) <= RESTORED_DB)
    off &= (soft.fits[rows, best] >= GOOD_FIT) & (
        (soft.signs[rows, best] < 0) | (np.abs(soft.delays[rows, best]) >= least)
    )
    if len(broad) == 2:
        off &= soft.reached[rows, best] <= AGAINST
    return np.where(off, best, found).astype(np.int32)


def _told(stretches: Sequence[Stretch], steps: Mapping[str, Sequence[Passage]], silent_s: Sequence[float]) -> BoolArray:
    """(S) stretches that reach into a passage in which some mic is elsewhere than in its longest, or hold the moment in
    which one falls silent or joins in."""
    away = [(p.from_s, p.to_s) for own in steps.values() for p in own if p.polarity < 0 or p.delay_samples or p.ppm]
    away += [(at_s - MOMENT_S, at_s + MOMENT_S) for at_s in silent_s]
    return np.array([any(s.from_s < to_s and s.to_s > from_s for from_s, to_s in away) for s in stretches], np.bool_)


def _runs(off: BoolArray) -> Iterator[slice]:
    """Stretches in a row; a single one between two that do not fit belongs to them."""
    rows = np.flatnonzero(off)
    for run in np.split(rows, np.flatnonzero(np.diff(rows) > 2) + 1):
        if len(run):
            yield slice(int(run[0]), int(run[-1]) + 1)


def _furthest(missed: FloatArray, summed: Sequence[int], decisions: Sequence[MicDecision]) -> int:
    """The mic of the sum that misses the others by most."""
    most = max(float(missed[m]) for m in summed)
    near = [m for m in summed if missed[m] > most - SAME]
    return min(near, key=lambda m: (decisions[m].mic == decisions[m].reference, -float(missed[m])))


def astray_findings(song: Song, found: Iterable[Sequence[Astray]]) -> Iterator[Finding]:
    """A finding a mic, with all passages in which it does not fit; found: of every performance."""
    severity: Severity = "error" if song.alignment.changes == "stop" else "warning"
    for performance, passages in zip(song.performances, found, strict=True):
        for mic in dict.fromkeys(one.mic for one in passages):
            own = [one for one in passages if one.mic == mic]
            most = max(one.lost_db for one in own)
            where = listed(f"{clock(one.from_s)} to {clock(one.to_s)}" for one in own)
            what = (
                f"does not fit the other mics from {where}: the sum reaches up to {most:.1f} dB less there than "
                "elsewhere (another take, a slip that stands out nowhere, a change too short or too soft to follow)"
            )
            label = f"{performance.name}/{mic}"
            yield Finding("alignment-astray", severity, label, what, at_s=own[0].from_s, size=most)
