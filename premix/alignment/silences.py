"""Silences of a close mic that are too short for trails: one to a few seconds inside the riff, by the key's envelopes.

A stretch of riff that holds such a silence for a part is only softer; in tenths of a second the mic is there or not.
"""

from dataclasses import dataclass

import numpy as np

from premix.arrays import BoolArray, FloatArray
from premix.model.song import Performance

BLOCK_S = 0.1
CHUNK_BLOCKS = 600
"""A minute of envelopes in hand at once."""
PLAYING_DB = 15.0
"""The others play where most of them are this near to their loud level."""
SILENT_DB = 30.0
"""A mic is silent that is so much further below its loud level than the others are."""
SPAN_S, SILENT_S = 0.8, 0.6
"""How long a silence is, and how much of it the others must play in: a closed gate cuts off shorter tails."""
LONGEST_S = 6.0
"""What lasts longer shows in the trails."""
_TINY = 1e-14


@dataclass(frozen=True, slots=True)
class Silence:
    """A mic is silent from `from_s` to `to_s`, the riff goes on."""

    mic: str
    from_s: float
    to_s: float


def silences_of(performance: Performance) -> list[Silence]:
    """Of the close mics of a performance but its sub mics, which hear little of the key's band."""
    keys = performance.envelopes
    apart = max((abs(offset) for offset in performance.spectra.offsets), default=0)
    if performance.windows is None or len(keys.mics) < 2 or apart > 0.5 * BLOCK_S * keys.rate:
        return []
    own_db = _blocks_db(performance)
    riff = _riff(performance, len(own_db))
    if not riff.any():
        return []
    below_db = own_db - np.percentile(own_db[riff], 90.0, axis=0)
    found = []
    for m, name in enumerate(keys.mics):
        mic = performance.mic(name)
        if mic is not None and mic.role == "close":
            others_db = np.median(np.delete(below_db, m, axis=1), axis=1)
            playing = riff & (others_db > -PLAYING_DB)
            silent = playing & (below_db[:, m] < others_db - SILENT_DB)
            found += [Silence(name, BLOCK_S * first, BLOCK_S * stop) for first, stop in _runs(silent, playing)]
    return found


def _blocks_db(performance: Performance) -> FloatArray:
    """(N, M) level of each close mic in every block, in dB."""
    keys = performance.envelopes
    per = round(BLOCK_S * keys.rate / keys.hop)
    levels = []
    for start in range(0, keys.frames - per + 1, per * CHUNK_BLOCKS):
        power = keys.read(start, start + per * CHUNK_BLOCKS)
        whole = power[:, : power.shape[1] // per * per].reshape(len(power), -1, per).mean(axis=2, dtype=np.float64)
        levels.append(10.0 * np.log10(whole.T + _TINY))
    return np.concatenate(levels) if levels else np.zeros((0, len(keys.mics)))


def _riff(performance: Performance, count: int) -> BoolArray:
    """(N) blocks that begin in a frame of riff."""
    windows = performance.windows
    assert windows is not None
    at = ((BLOCK_S * (np.arange(count) + 0.5) - windows.start_s) / windows.frame_s).astype(np.int64)
    riff = windows.levels_db >= windows.riff_db
    return np.asarray((at >= 0) & (at < len(riff)) & riff[np.clip(at, 0, len(riff) - 1)], np.bool_)


def _runs(silent: BoolArray, playing: BoolArray) -> list[tuple[int, int]]:
    """(first, stop) blocks of each silence: no block in which the mic is there while the others play."""
    where = np.flatnonzero(silent)
    there = np.cumsum(playing & ~silent)[where]
    runs = np.split(where, np.flatnonzero(np.diff(there)) + 1)
    sure = (run for run in runs if len(run) * BLOCK_S >= SILENT_S - 1e-9)
    spans = [(int(run[0]), int(run[-1]) + 1) for run in sure]
    return [(a, b) for a, b in spans if SPAN_S - 1e-9 <= (b - a) * BLOCK_S <= LONGEST_S]
