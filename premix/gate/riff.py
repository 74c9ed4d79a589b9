"""Riff detection: start and stop of every played passage of one performance, and what is worth knowing of them."""

from collections.abc import Iterator

import numpy as np

from premix.arrays import FloatArray
from premix.errors import Finding, Severity
from premix.gate.agreement import STEP_MS, Agreement
from premix.gate.following import BLEED, Followed, follow
from premix.gate.key import Key
from premix.gate.passages import BRIDGE_MS, Levels, Passage, PassageFinder, joined
from premix.model.gate import Riff
from premix.model.settings import Gate
from premix.model.tracks import KeyEnvelopes

LITTLE_S, LITTLE_SHARE = 5.0, 0.02
"""A performance hardly plays when it plays less than 5 s and less than 2 % of the song."""
LONG_SHARE = 0.5
"""A single passage is worth a word when it is more than half of the song."""
SUDDEN_SHARE = 0.5
"""Stops are uncertain when fewer than half of the falls through the threshold are sudden."""
OPEN_DB, OPEN_SPREADS = 6.0, 4.0
"""The gate opens this far above the floor, or so many standard deviations of it."""
SHUT_DB, SHUT_SPREADS = 3.0, 2.2
"""And shuts this far above it."""
GHOST_DB, GHOST_MS = 12.0, 80.0
"""What lies so far under the loud level around and is shorter than that is no riff."""
NOTHING_DB = -140.0


def find_riff(envelopes: KeyEnvelopes, weights: FloatArray, shifts: FloatArray, gate: Gate) -> Riff:
    """Find when the guitar plays in one performance, and with what threshold.

    weights: (M,) linear gain of each mic in the sum, 0 for mics that are not in it. shifts: (M,) samples by
    which each mic is advanced. Where the threshold is found automatically it follows the floor and the loud level
    through the song; one by hand is relative to the loud level of the whole song. Reads the envelopes in chunks: what
    grows with the song is the list of passages and a state for every 8 ms.
    """
    name, auto = envelopes.performance, gate.threshold_db == "auto"
    key = Key(envelopes, weights, shifts)
    followed = follow(key, Agreement(envelopes, weights, shifts)) if weights.any() else None
    if followed is None:
        threshold = -54.0 if gate.threshold_db == "auto" else gate.threshold_db
        return Riff(name, (), NOTHING_DB, threshold, auto, "silent" if weights.any() else "none")
    loud = float(followed.loud_db.max())
    finder = PassageFinder(key)
    found = list(_found(key, followed, gate, finder, loud))
    kept = [p for p in found if gate.open_for == "all" or not _is_ghost(p, key)]
    passages = list(joined(iter(kept), key.span(BRIDGE_MS)))
    opens, shuts = _thresholds(followed.floor_db, followed.spread_db, gate, loud)
    threshold = float(np.median(opens)) - loud if gate.threshold_db == "auto" else gate.threshold_db
    return Riff(
        name,
        tuple((p.on * key.frame_s, p.off * key.frame_s) for p in passages),
        loud,
        threshold,
        auto,
        shut_db=float(np.median(shuts)) - loud,
        split_db=float(np.median(shuts)) - loud,
        falls=len(passages),
        sudden=sum(p.sudden for p in passages),
    )


def _is_ghost(passage: Passage, key: Key) -> bool:
    """Short and soft."""
    return passage.off - passage.on < key.span(GHOST_MS) and passage.peak_db <= passage.loud_db - GHOST_DB


def _thresholds(floor: FloatArray, spread: FloatArray, gate: Gate, loud_db: float) -> tuple[FloatArray, FloatArray]:
    """(opens, shuts) in dB re full scale."""
    if gate.threshold_db != "auto":
        opens = np.full(floor.size, loud_db + gate.threshold_db)
        return opens, opens - gate.hysteresis_db
    return floor + np.maximum(OPEN_DB, OPEN_SPREADS * spread), floor + np.maximum(SHUT_DB, SHUT_SPREADS * spread)


def _found(key: Key, followed: Followed, gate: Gate, finder: PassageFinder, loud_db: float) -> Iterator[Passage]:
    for first, level in key.chunks(before=finder.before, after=finder.after):
        at = np.arange(first - finder.before, first - finder.before + level.size)
        frames = (at + 0.5) / STEP_MS
        floor, spread, loud = (
            followed.at(v, frames) for v in (followed.floor_db, followed.spread_db, followed.loud_db)
        )
        state = followed.states[np.clip(at // STEP_MS, 0, followed.states.size - 1)]
        clean = np.where(state == BLEED, np.minimum(level, floor), level)
        yield from finder.feed(Levels(first, level, clean, *_thresholds(floor, spread, gate, loud_db), loud))
    yield from finder.finish()


def riff_findings(riff: Riff, song_s: float) -> Iterator[Finding]:
    """What is worth knowing of the riff that opens a performance's rooms. song_s: length of the song."""

    def tell(slug: str, severity: Severity, message: str) -> Finding:
        return Finding(slug, severity, riff.performance, message)

    played_s = sum(off - on for on, off in riff.spans)
    if riff.key == "none":
        yield tell("gate-no-key", "warning", "no close mic is in the sum; its room stays open")
    elif riff.key == "silent":
        yield tell("gate-key-silent", "warning", "its close mics are silent; the room stays open")
    elif played_s < LITTLE_S and played_s < LITTLE_SHARE * song_s:
        yield tell("gate-hardly-plays", "info", f"plays for {played_s:.1f} s of {song_s:.1f} s")
    elif len(riff.spans) == 1 and played_s > LONG_SHARE * song_s:
        on, off = riff.spans[0]
        message = f"no stop was found from {on:.1f} s to {off:.1f} s; its room stays open there"
        yield tell("gate-no-stops", "info", message)
    elif riff.auto and riff.sudden < SUDDEN_SHARE * riff.falls:
        message = (
            f"only {riff.sudden} of the {riff.falls} falls of the key through {riff.split_db:.1f} dB are as sudden as "
            "a damped stop"
        )
        yield tell("gate-stops-uncertain", "info", message)
