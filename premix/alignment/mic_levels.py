"""How loud each mic is against the others, stretch by stretch: what a hand on a preamp changes, and notes hardly do.

Notes move all mics alike, so what they have in common is taken off, third octave by third octave; and a band in which
nobody plays says nothing.
"""

from collections.abc import Sequence

import numpy as np

from premix.alignment.stretches import Stretch, StretchSpectra
from premix.arrays import BoolArray, FloatArray

SILENCE = 1e-20
"""Power of a band that holds nothing."""
GONE_DB = 60.0
"""How far below itself a mic is put that holds nothing but noise in a stretch."""
LOST_DB = 10.0
"""A mic this far below its usual level is gone, and no measure for the others."""
SILENT_DB = 20.0
"""A mic this far below itself is as good as silent."""


def floors_db_of(followed: StretchSpectra, stretches: tuple[Stretch, ...]) -> FloatArray:
    """(S, M, B) level in dB up to which a third octave of a mic holds nothing but noise."""
    return np.asarray(10.0 * np.log10(np.maximum(followed.floors(stretches), SILENCE)))


def relative_levels_db(powers_db: FloatArray, floors_db: FloatArray, followed: StretchSpectra) -> FloatArray:
    """(S, M) mean over each mic's bands of its level (S, M, B) in dB, without what the mics of the sum have in common.

    Of two mics the reference is the measure, but where it is silent beside the other. A band in which nobody plays, or
    in which a mic would not be heard above its noise (floors_db) if it were as usual, has no say: what is left there
    after the noise was taken off is chance.
    """
    empty = powers_db <= floors_db
    known_db = np.maximum(powers_db, floors_db)
    usual = np.median(known_db, axis=0) if len(known_db) else np.zeros(known_db.shape[1:])
    rows = np.flatnonzero(followed.in_sum).tolist()
    alone = np.zeros(len(known_db), np.bool_)  # stretches in which the measure is silent
    if len(rows) == 2 and followed.reference in rows and len(known_db):
        rows.sort(key=lambda m: m != followed.reference)
        alone = _silent_beside(*(known_db[:, m].mean(axis=1) for m in rows))
        usual[rows[0]] = np.median(known_db[~alone, rows[0]], axis=0)
    own = known_db - usual
    if len(rows) == 2 and followed.reference in rows:
        common = np.where(alone[:, None], own[:, rows[1]], own[:, rows[0]])[:, None]
        rows = rows[:1]
    else:
        common = np.median(own[:, rows], axis=1, keepdims=True) if rows else np.zeros((len(own), 1, 1))
    say, absent = _say(empty, usual + common > floors_db, followed, rows)
    levels = ((own - common) * say).sum(axis=2) / np.maximum(say.sum(axis=2), 1)
    silent = say.any(axis=2) & ~(say & ~empty).any(axis=2) & (absent[:, 0] | (levels < -LOST_DB))
    if len(rows) == 1:
        silent[~alone, rows[0]] = False  # the measure itself
    return np.asarray(np.where(silent, -GONE_DB, levels))


def _say(
    empty: BoolArray, heard: BoolArray, followed: StretchSpectra, rows: Sequence[int]
) -> tuple[BoolArray, BoolArray]:
    """(S, M, B) which bands say something of a mic's level, and (M, 1) which mics are silent for most of the song.

    empty: (S, M, B) bands that hold noise; heard: those in which a mic that is as usual would be clear of it. rows: the
    mics that are the measure.
    """
    used = followed.bands & np.ones(empty.shape, np.bool_)
    played = 2 * (~empty[:, rows]).sum(axis=1, keepdims=True) >= len(rows)
    # Where most bands are empty it is the mics that are silent, and the others are louder than they.
    mostly = 2 * (played & used).sum(axis=2, keepdims=True) >= used.sum(axis=2, keepdims=True)
    seldom = 2 * empty.sum(axis=0) > len(empty)
    absent = (2 * (seldom & followed.bands).sum(axis=1) > followed.bands.sum(axis=1))[:, None]
    say = used & (played | ~mostly) & (absent | (~seldom & (~empty | heard)))
    return np.asarray(say), np.asarray(absent)


def _silent_beside(mine_db: FloatArray, other_db: FloatArray) -> BoolArray:
    """(S) stretches in which a mic (S) is SILENT_DB below its best, and the other (S) less than half as far."""
    mine_below, other_below = (np.percentile(db, 90.0) - db for db in (mine_db, other_db))
    return np.asarray((mine_below > SILENT_DB) & (other_below < 0.5 * SILENT_DB))
