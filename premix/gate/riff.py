"""Riff detection: start and stop of every played passage of one performance."""

from collections.abc import Iterator

import numpy as np

from premix.gate.findings import no_key, riff_findings, silent_key
from premix.gate.key import QUIETEST_DB, Key
from premix.gate.threshold import DEEPEST_DB, find_populations
from premix.model.analysis import FloatArray, KeyEnvelopes
from premix.model.gate import Riff, Span
from premix.model.recipe import Gate

ONSET_MS = 10.0
"""A start is looked for this far before the threshold is passed, down to the level at which the gate would
shut."""
FALL_MS, FALL_DB = 30.0, 12.0
"""A stop is where the last sound has fallen by this much, if it does so within this time; else where the gate
would shut."""
SLOPE_MS, SLOPE_DB = 8.0, 6.0
"""A hand on the strings: this much from 8 ms before to 8 ms after (0.4 dB/ms), which no note does by
itself."""
DECAY_MS = 300.0
"""A note that dies away and is followed by another one sooner than this has not stopped."""
HIGHEST_OPEN_DB = -6.0
"""However large the hysteresis, notes of the loud level open the gate."""


def find_riff(envelopes: KeyEnvelopes, weights: FloatArray, shifts: FloatArray, gate: Gate) -> Riff:
    """Find when the guitar plays in one performance, and with what threshold.

    weights: (M,) linear gain of each mic in the sum, 0 for mics that are not in it. shifts: (M,) samples by
    which each mic is advanced. The passages open at the threshold and shut `gate.hysteresis_db` below it.
    Reads the envelopes in chunks: only the list of passages grows with the song.
    """
    name, auto = envelopes.performance, gate.threshold_db == "auto"
    if not weights.any():
        return Riff(name, (), QUIETEST_DB, _threshold(DEEPEST_DB, gate), auto, (no_key(name),))
    key = Key(envelopes, weights, shifts)
    populations = find_populations(key)
    threshold = _threshold(populations.split_db, gate)
    if populations.silent:
        return Riff(name, (), populations.loud_db, threshold, auto, (silent_key(name),))
    opening = populations.loud_db + threshold
    spans = tuple(passages(key, opening, opening - gate.hysteresis_db))
    findings = riff_findings(name, populations, spans, key.frames * key.frame_s, auto=auto)
    return Riff(name, spans, populations.loud_db, threshold, auto, findings)


def _threshold(split_db: float, gate: Gate) -> float:
    """The opening threshold against the loud level: as given, or so that the gate shuts at the split."""
    if gate.threshold_db != "auto":
        return gate.threshold_db
    return min(split_db + gate.hysteresis_db, HIGHEST_OPEN_DB)


def passages(key: Key, open_db: float, shut_db: float) -> Iterator[Span]:
    """(on_s, off_s) of every passage: it starts when the level reaches `open_db` and stops when it falls
    below `shut_db`. A passage that lasts to the end of the song stops there. A note that dies away slowly and
    is followed by another one within `DECAY_MS` has not stopped."""
    decay = key.span(DECAY_MS)
    ended: tuple[int, int, bool] | None = None
    for on, off, sudden in _crossings(key, open_db, shut_db):
        if ended is not None and not ended[2] and on - ended[1] < decay:
            on = ended[0]
        elif ended is not None:
            yield ended[0] * key.frame_s, ended[1] * key.frame_s
        ended = (on, off, sudden)
    if ended is not None:
        yield ended[0] * key.frame_s, ended[1] * key.frame_s


def _crossings(key: Key, open_db: float, shut_db: float) -> Iterator[tuple[int, int, bool]]:
    """(on, off, sudden) in frames of every stretch between opening and shutting; sudden: how it ended."""
    onset, fall, slope = key.span(ONSET_MS), key.span(FALL_MS), key.span(SLOPE_MS)
    before = max(onset, fall, slope)
    playing, on = False, 0
    for first, level in key.chunks(before=before, after=slope):
        for k, starts in _changes(level[before : level.size - slope], open_db, shut_db, playing):
            at = k + before
            if starts:
                on = max(0, first + k - _onset_lag(level[at - onset : at + 1], shut_db))
            else:
                sudden = bool(level[at - slope] - level[at + slope] >= SLOPE_DB)
                yield on, first + k - _stop_lag(level[at - fall : at + 1]), sudden
            playing = starts
    if playing:
        yield on, key.frames, True


def _changes(level: FloatArray, open_db: float, shut_db: float, playing: bool) -> Iterator[tuple[int, bool]]:
    """(frame, starts) of every change of a comparator with hysteresis that is `playing` before the first
    frame."""
    state = np.where(level >= open_db, 1, np.where(level < shut_db, 0, -1))
    known = np.flatnonzero(state >= 0)
    states = state[known]
    turns = np.flatnonzero(states != np.concatenate([[int(playing)], states[:-1]]))
    for k, value in zip(known[turns].tolist(), states[turns].tolist(), strict=True):
        yield k, bool(value)


def _onset_lag(history: FloatArray, shut_db: float) -> int:
    """Frames from the passage's start to the last frame of `history`, where it reached the opening
    threshold."""
    below = np.flatnonzero(history < shut_db)
    return len(history) - 2 - int(below[-1]) if below.size else len(history) - 1


def _stop_lag(history: FloatArray) -> int:
    """Frames from the passage's stop to the last frame of `history`, the first below the shutting level."""
    sounding = np.flatnonzero(history >= history.max() - FALL_DB)
    return len(history) - 2 - int(sounding[-1]) if sounding[-1] < len(history) - 1 else 0
