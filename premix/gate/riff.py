"""Riff detection: start and stop of every played passage of one performance, and what is worth knowing of them."""

from collections.abc import Iterator, Sequence

import numpy as np

from premix.arrays import FloatArray
from premix.errors import Finding, Severity
from premix.gate.agreement import STEP_MS, Agreement
from premix.gate.following import BLEED, Followed, follow
from premix.gate.key import Key
from premix.gate.passages import BRIDGE_MS, Levels, Passage, PassageFinder, joined, without_ghosts
from premix.gate.threshold import NOTHING, Populations, find_populations
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
FEWEST_HITS, HITS_SHARE, CRACK_MS = 2, 0.6, 40.0
"""Bleed in a single mic: two soft passages, and 60 % of all soft ones, die away or are as short as a crack."""
CLEAR_DB = 4.0
"""An opening threshold this far above the split keeps clear of the loudest bleed."""
HIGHEST_OPEN_DB = -6.0
"""Notes of the loud level open the gate."""


def find_riff(envelopes: KeyEnvelopes, weights: FloatArray, shifts: FloatArray, gate: Gate) -> Riff:
    """Find when the guitar plays in one performance, and with what threshold.

    weights: (M,) linear gain of each mic in the sum, 0 for mics that are not in it. shifts: (M,) samples by
    which each mic is advanced. Where the threshold is found automatically it follows the floor
    through the song; one by hand is relative to the loud level of the whole song. Reads the envelopes in chunks: what
    grows with the song is the list of passages and a state for every 8 ms.
    """
    name, auto = envelopes.performance, gate.threshold_db == "auto"
    key = Key(envelopes, weights, shifts)
    followed = follow(key, Agreement(envelopes, weights, shifts)) if weights.any() else None
    if followed is None:
        threshold = NOTHING.split_db if gate.threshold_db == "auto" else gate.threshold_db
        return Riff(name, (), NOTHING.loud_db, threshold, auto, "silent" if weights.any() else "none")
    loud = float(followed.loud_db.max())
    opens, shuts = _thresholds(followed, gate, loud)
    found = list(_found(key, followed, opens, shuts))
    if auto and not followed.compared:
        populations = find_populations(key)
        if _is_bleed(found, populations, key.span(CRACK_MS)):
            above = max(populations.split_db + CLEAR_DB, populations.shut_db + gate.hysteresis_db)
            opens = np.maximum(opens, populations.loud_db + min(above, HIGHEST_OPEN_DB))
            shuts = np.maximum(shuts, populations.loud_db + populations.shut_db)
            found = list(_found(key, followed, opens, shuts))
    kept = found if gate.open_for == "all" else without_ghosts(found, key.span(GHOST_MS), GHOST_DB)
    passages = list(joined(kept, key.span(BRIDGE_MS)))
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


def _is_bleed(found: Sequence[Passage], populations: Populations, crack: int) -> bool:
    """Whether most of what stays below the level that parts playing from the rest dies away, as drums do; the notes of a
    quiet verse are damped. crack: control frames. What a single mic has to go by, where several would be compared."""
    soft = [p for p in found if p.peak_db < populations.loud_db + populations.split_db + CLEAR_DB]
    hits = [p for p in soft if not p.sudden or p.off - p.on < crack]
    return len(hits) >= max(FEWEST_HITS, HITS_SHARE * len(soft))


def _thresholds(followed: Followed, gate: Gate, loud_db: float) -> tuple[FloatArray, FloatArray]:
    """(blocks) levels that open and shut the gate, in dB re full scale."""
    floor, spread = followed.floor_db, followed.spread_db
    if gate.threshold_db != "auto":
        opens = np.full(floor.size, loud_db + gate.threshold_db)
        return opens, opens - gate.hysteresis_db
    return floor + np.maximum(OPEN_DB, OPEN_SPREADS * spread), floor + np.maximum(SHUT_DB, SHUT_SPREADS * spread)


def _found(key: Key, followed: Followed, opens: FloatArray, shuts: FloatArray) -> Iterator[Passage]:
    """Every passage of the song, ghost notes and all. opens, shuts: (blocks)."""
    finder = PassageFinder(key)
    for first, level in key.chunks(before=finder.before, after=finder.after):
        at = np.arange(first - finder.before, first - finder.before + level.size)
        means = [followed.at(mean, (at + 0.5) / STEP_MS) for mean in (opens, shuts, followed.floor_db)]
        state = followed.states[np.clip(at // STEP_MS, 0, followed.states.size - 1)]
        clean = np.where(state == BLEED, np.minimum(level, means[2]), level)
        yield from finder.feed(Levels(first, level, clean, means[0], means[1]))
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
