"""Riff detection: start and stop of every played passage of one performance, and what is worth knowing of them."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Literal

import numpy as np

from premix.arrays import FloatArray
from premix.errors import Finding, Severity
from premix.gate.agreement import STEP_MS
from premix.gate.floor_and_loud import BLOCK
from premix.gate.following import BLEED, Followed, follow
from premix.gate.key import Key
from premix.gate.passages import BRIDGE_MS, Levels, Passage, PassageFinder, joined, without_ghosts
from premix.gate.threshold import NOTHING, Populations, find_populations
from premix.model.gate import KeyLevels, Riff, Span
from premix.model.settings import Gate
from premix.model.tracks import Agreed, KeyEnvelopes

LITTLE_S, LITTLE_SHARE = 5.0, 0.02
"""A performance hardly plays when it plays less than 5 s and less than 2 % of the song."""
LONG_SHARE = 0.5
"""A single passage is worth a word when it is more than half of the song."""
SUDDEN_SHARE = 0.5
"""Stops are uncertain when fewer than half of the passages end suddenly."""
Thresholds = tuple[FloatArray, FloatArray]
"""Levels that open and shut the gate, a value a block of the song, in dB re full scale."""
OPEN_DB, OPEN_SPREADS = 6.0, 4.0
"""The gate opens this far above the floor, or so many standard deviations of it."""
SHUT_DB, SHUT_SPREADS = 3.0, 2.2
"""And shuts this far above it."""
GHOST_DB, GHOST_MS = 11.0, 90.0
"""What lies 12 dB under the loud level around and is shorter than 80 ms is no riff; read to 1 dB and 10 ms."""
FEWEST_HITS, HITS_SHARE, CRACK_MS = 2, 0.6, 40.0
"""Bleed in a single mic: two soft passages, and 60 % of all soft ones, die away or are as short as a crack."""
CLEAR_DB = 4.0
"""An opening threshold this far above the split keeps clear of the loudest bleed."""
HIGHEST_OPEN_DB = -6.0
"""Notes of the loud level open the gate."""


def find_riff(
    envelopes: KeyEnvelopes,
    weights: FloatArray,
    shifts: FloatArray,
    gate: Gate,
    spans: Sequence[Span] | None = None,
    agreed: Agreed | None = None,
) -> Riff:
    """Find when the guitar plays in one performance, and with what threshold.

    weights: (M,) linear gain of each mic in the sum, 0 for mics that are not in it. shifts: (M,) samples by
    which each mic is advanced. spans: when it plays, by hand. agreed: how the mics agree, where that is known. Where
    the threshold is found automatically it follows the floor through the song; one by hand is relative to the loud
    level of the whole song. Reads the envelopes in chunks:
    what grows with the song is the list of passages and a state for every 8 ms.
    """
    name, auto = envelopes.performance, gate.threshold_db == "auto"
    key = Key(envelopes, weights, shifts)
    followed = follow(key, agreed) if weights.any() else None
    if followed is None:
        threshold = NOTHING.split_db if gate.threshold_db == "auto" else gate.threshold_db
        key_is: Literal["silent", "none"] = "silent" if weights.any() else "none"
        return Riff(name, tuple(spans or ()), NOTHING.loud_db, threshold, auto, key_is, by_hand=spans is not None)
    loud = float(followed.loud_db.max())
    measured = _thresholds(followed)
    heard = list(_found(key, followed, *measured))
    levels, found = _chosen(key, followed, gate, loud, measured, heard)
    kept = found if gate.open_for == "all" else without_ghosts(found, key.span(GHOST_MS), GHOST_DB)
    passages = list(joined(kept, key.span(BRIDGE_MS)))
    opens_db, shuts_db = (float(np.median(level)) - loud for level in levels)
    return Riff(
        name,
        tuple(spans) if spans is not None else _seconds(passages, key),
        loud,
        opens_db if gate.threshold_db == "auto" else gate.threshold_db,
        auto,
        shut_db=shuts_db,
        split_db=shuts_db,
        falls=len(passages),
        sudden=sum(p.sudden for p in passages),
        heard=_seconds(joined(without_ghosts(heard, key.span(GHOST_MS), GHOST_DB), key.span(BRIDGE_MS)), key),
        by_hand=spans is not None,
        levels=_levels_through(key, followed, levels),
    )


def _levels_through(key: Key, followed: Followed, gate_levels: Thresholds) -> KeyLevels:
    """The means of every block of the song, at its middle."""
    at_s = (np.arange(followed.floor_db.size) + 0.5) * (BLOCK * STEP_MS * key.frame_s)
    each = (at_s, followed.floor_db, followed.loud_db, *gate_levels)
    return KeyLevels(*(tuple(values.tolist()) for values in each))


def _seconds(passages: Iterable[Passage], key: Key) -> tuple[Span, ...]:
    """To the microsecond, so that they are the same when they have been written down."""
    return tuple((round(p.on * key.frame_s, 6), round(p.off * key.frame_s, 6)) for p in passages)


def _chosen(
    key: Key, followed: Followed, gate: Gate, loud_db: float, measured: Thresholds, heard: list[Passage]
) -> tuple[Thresholds, list[Passage]]:
    """The thresholds that the gate goes by, and what it finds by them. heard: what is found by the measured ones."""
    if gate.threshold_db != "auto":
        opens = np.full(followed.floor_db.size, loud_db + gate.threshold_db)
        by_hand = opens, opens - gate.hysteresis_db
        return by_hand, list(_found(key, followed, *by_hand))
    populations = NOTHING if followed.compared else find_populations(key)
    if populations.silent or not _is_bleed(heard, populations, key.span(CRACK_MS)):
        return measured, heard
    above = max(populations.split_db + CLEAR_DB, populations.shut_db + gate.hysteresis_db)
    raised = (
        np.maximum(measured[0], populations.loud_db + min(above, HIGHEST_OPEN_DB)),
        np.maximum(measured[1], populations.loud_db + populations.shut_db),
    )
    return raised, list(_found(key, followed, *raised))


def _is_bleed(found: Sequence[Passage], populations: Populations, crack: int) -> bool:
    """Whether most of what stays below the level that parts playing from the rest dies away, as drums do; the notes of
    a
    quiet verse are damped. crack: control frames. What a single mic has to go by, where several would be compared."""
    soft = [p for p in found if p.peak_db < populations.loud_db + populations.split_db + CLEAR_DB]
    hits = [p for p in soft if not p.sudden or p.off - p.on < crack]
    return len(hits) >= max(FEWEST_HITS, HITS_SHARE * len(soft))


def _thresholds(followed: Followed) -> Thresholds:
    """What opens and shuts by the local measure, a little above the floor."""
    floor, spread = followed.floor_db, followed.spread_db
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
    elif riff.by_hand:
        return
    elif played_s < LITTLE_S and played_s < LITTLE_SHARE * song_s:
        yield tell("gate-hardly-plays", "info", f"plays for {played_s:.1f} s of {song_s:.1f} s")
    elif len(riff.spans) == 1 and played_s > LONG_SHARE * song_s:
        on, off = riff.spans[0]
        message = f"no stop was found from {on:.1f} s to {off:.1f} s; its room stays open there"
        yield tell("gate-no-stops", "warning", message)
    elif riff.auto and riff.sudden < SUDDEN_SHARE * riff.falls:
        message = f"only {riff.sudden} of its {riff.falls} passages end as suddenly as a damped stop"
        yield tell("gate-stops-uncertain", "info", message)
