"""Riff detection: start and stop of every played passage of one performance, and what is worth knowing of them."""

from collections.abc import Iterator

import numpy as np

from premix.arrays import BoolArray, FloatArray
from premix.errors import Finding, Severity
from premix.gate.key import Key
from premix.gate.threshold import NOTHING, Populations, find_populations
from premix.model.gate import Riff, Span
from premix.model.settings import Gate
from premix.model.tracks import KeyEnvelopes

LITTLE_S, LITTLE_SHARE = 5.0, 0.02
"""A performance hardly plays when it plays less than 5 s and less than 2 % of the song."""
LONG_SHARE = 0.5
"""A single passage is worth a word when it is more than half of the song."""
SUDDEN_SHARE = 0.5
"""Stops are uncertain when fewer than half of the falls through the threshold are sudden."""
SLOPE_MS, SLOPE_DB = 8.0, 6.0
"""A hand on the strings: the level falls this much from 8 ms before to 8 ms after (0.4 dB/ms). No note falls
so fast by itself."""
EDGE_MS, EDGE_DB = 30.0, 12.0
"""Within 30 ms of where a threshold is passed, the sound starts or stops where it is this far below its top."""
ONSET_MS = 10.0
"""A start is not looked for further ahead of the threshold than this: what comes before is bleed."""
MUTE_DB_PER_S, BRIDGE_MS = 50.0, 300.0
"""A muted note dies away at 50 dB/s or more; when another follows within 300 ms the riff has not stopped."""
CLEAR_DB = 4.0
"""An opening threshold this far above the split keeps clear of the loudest bleed."""
HIGHEST_OPEN_DB = -6.0
"""However large the hysteresis, notes of the loud level open the gate."""


def find_riff(envelopes: KeyEnvelopes, weights: FloatArray, shifts: FloatArray, gate: Gate) -> Riff:
    """Find when the guitar plays in one performance, and with what threshold.

    weights: (M,) linear gain of each mic in the sum, 0 for mics that are not in it. shifts: (M,) samples by
    which each mic is advanced. A passage starts at the threshold, and its last note may die away to
    `hysteresis_db` below it; where the threshold is found automatically it may die away further, down to the
    noise. Reads the envelopes in chunks: only the list of passages grows with the song.
    """
    name, auto = envelopes.performance, gate.threshold_db == "auto"
    key = Key(envelopes, weights, shifts)
    populations = find_populations(key) if weights.any() else NOTHING
    threshold = _threshold(populations, gate)
    if populations.silent:
        return Riff(name, (), populations.loud_db, threshold, auto, "silent" if weights.any() else "none")
    shut = threshold - gate.hysteresis_db
    if auto:
        shut = min(shut, populations.shut_db)
    return Riff(
        name,
        tuple(_passages(key, populations.loud_db + threshold, populations.loud_db + shut)),
        populations.loud_db,
        threshold,
        auto,
        shut_db=shut,
        split_db=populations.split_db,
        falls=populations.falls,
        sudden=populations.sudden,
    )


def _threshold(populations: Populations, gate: Gate) -> float:
    """The opening threshold against the loud level: as given, or so that the gate shuts above the noise."""
    if gate.threshold_db != "auto":
        return gate.threshold_db
    above_noise = max(populations.split_db + CLEAR_DB, populations.shut_db + gate.hysteresis_db)
    return min(above_noise, HIGHEST_OPEN_DB)


def _passages(key: Key, open_db: float, shut_db: float) -> Iterator[Span]:
    """(on_s, off_s) of every passage.

    It starts when the level reaches `open_db`. It stops when a hand damps the strings (the level falls suddenly,
    to below `open_db`) or when the last note has died away to `shut_db`; so bleed that is too weak to open, but
    begins before the riff has stopped, does not hold it open. A passage that lasts to the end of the song stops
    there. Muted notes that die away and are followed by another one within `BRIDGE_MS` are one passage.
    """
    bridge = key.span(BRIDGE_MS)
    ended: tuple[int, int, bool] | None = None
    for on, off, muted in _crossings(key, open_db, shut_db):
        if ended is not None and (on <= ended[1] or (ended[2] and on - ended[1] < bridge)):
            on = ended[0]
        elif ended is not None:
            yield ended[0] * key.frame_s, ended[1] * key.frame_s
        ended = (on, off, muted)
    if ended is not None:
        yield ended[0] * key.frame_s, ended[1] * key.frame_s


def _crossings(key: Key, open_db: float, shut_db: float) -> Iterator[tuple[int, int, bool]]:
    """(on, off, muted) in frames of every stretch from opening to shutting; muted: it died away like a mute."""
    edge, onset, slope = (key.span(ms) for ms in (EDGE_MS, ONSET_MS, SLOPE_MS))
    mute = (open_db - shut_db) / MUTE_DB_PER_S / key.frame_s
    before, after = edge, edge + slope
    playing, on, high = False, 0, 0
    for first, level in key.chunks(before=before, after=after):
        now = level[before : level.size - after]
        earlier, later = (level[before + shift :][: now.size] for shift in (-slope, slope))
        sudden = earlier - later >= SLOPE_DB
        loud = np.flatnonzero(now >= open_db)
        for k, starts in _changes(now >= open_db, (now < shut_db) | sudden, playing):
            around = level[k : k + 2 * edge]
            if starts:
                rise = int(np.argmax(_sounding(around[edge - onset :])))
                on = max(0, first + k - onset + rise) if first + k else 0
            else:
                fall = around[: edge + 1 + int(np.argmin(around[edge:]))]
                off = first + k - edge + int(np.flatnonzero(_sounding(fall))[-1]) + 1
                last = int(np.searchsorted(loud, k))
                high = first + int(loud[last - 1]) if last else high
                yield on, off, not sudden[k] and first + k - high <= mute
            playing = starts
        high = first + int(loud[-1]) if loud.size else high
    if playing:
        yield on, key.frames, False


def _changes(opens: BoolArray, shuts: BoolArray, playing: bool) -> Iterator[tuple[int, bool]]:
    """(frame, starts) of every change of a switch that keeps its state where neither holds; opening wins, so
    that a sudden fall counts only from where it has left the opening threshold."""
    known = np.flatnonzero(opens | shuts)
    states = opens[known]
    turns = np.flatnonzero(states != np.concatenate([[playing], states[:-1]]))
    yield from zip(known[turns].tolist(), states[turns].tolist(), strict=True)


def _sounding(part: FloatArray) -> BoolArray:
    """Where an edge is high: `EDGE_DB` below its top, or half-way down where it is smaller than that."""
    top, bottom = float(part.max()), float(part.min())
    return part >= max(top - EDGE_DB, (top + bottom) / 2.0)


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
