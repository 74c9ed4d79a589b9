"""Passages in which a mic does not fit the others, with its changes followed: the sum itself tells that it is wrong.

What is followed is one mic that goes elsewhere, by so much and for so long. A passage of another take, one that
slipped by more than is looked for, or a turn of polarity that is over in less than a stretch is none of that; but the
sum of the mics reaches less there than in the rest of the song, which no riff does by itself.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from premix.alignment.case import Case
from premix.alignment.stretches import Stretch
from premix.alignment.trails import Trails
from premix.arrays import BoolArray, FloatArray
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
    broad = [m for m in summed if decisions[m].role == "close"]
    for own in (trails, soft):
        if own is None:
            continue
        lost_db = np.percentile(trails.efficiencies_db[full], GOOD) - own.efficiencies_db
        missed = np.percentile(trails.reached[full], GOOD, axis=0) - own.reached
        off = (lost_db >= LOST_DB) & ~_told(own.stretches, steps, silent_s)
        if own is soft:
            usual_db = np.percentile(trails.without_db[full], 100.0 - GOOD, axis=0)
            off &= _one_alone(own, usual_db, broad)
        else:
            off &= full
        for first, stop in _runs(off):
            m = _furthest(missed[first:stop].mean(axis=0), summed, decisions)
            held = own.stretches[first:stop]
            yield Astray(case.mics[m].name, held[0].from_s, held[-1].to_s, float(lost_db[first:stop].max()))


def _one_alone(soft: Trails, usual_db: FloatArray, broad: Sequence[int]) -> BoolArray:
    """(S) soft stretches in which one mic does not fit while the others do.

    What comes from elsewhere than the amp, drums ahead of the song, fits none of them. Two mics cannot tell: there one
    must be clearly against the other.
    """
    off = np.zeros(len(soft.stretches), np.bool_)
    for m in broad:
        others_fit = soft.without_db[:, m] >= usual_db[m] - LOST_DB
        against = soft.reached[:, m] <= AGAINST
        off |= others_fit & (against if len(broad) < 3 else True)
    return off


def _told(stretches: Sequence[Stretch], steps: Mapping[str, Sequence[Passage]], silent_s: Sequence[float]) -> BoolArray:
    """(S) stretches that reach into a passage in which some mic is elsewhere than in its longest, or hold the moment in
    which one falls silent or joins in."""
    away = [(p.from_s, p.to_s) for own in steps.values() for p in own if p.polarity < 0 or p.delay_samples or p.ppm]
    away += [(at_s - MOMENT_S, at_s + MOMENT_S) for at_s in silent_s]
    return np.array([any(s.from_s < to_s and s.to_s > from_s for from_s, to_s in away) for s in stretches], np.bool_)


def _runs(off: BoolArray) -> Iterator[tuple[int, int]]:
    """(first, stop) of stretches in a row; a single one between two that do not fit belongs to them."""
    rows = np.flatnonzero(off)
    for run in np.split(rows, np.flatnonzero(np.diff(rows) > 2) + 1):
        if len(run):
            yield int(run[0]), int(run[-1]) + 1


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
                "elsewhere (another take, a slip of more than 20 ms, a change too short or too soft to follow)"
            )
            label = f"{performance.name}/{mic}"
            yield Finding("alignment-astray", severity, label, what, at_s=own[0].from_s, size=most)
