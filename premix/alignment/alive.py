"""A mic that is there for a part of the song only is judged on that part.

Over the whole song its coherence is no more than its share of it, as if it heard another performance; and its level
counts as if it had been played softly. So its row of the cross-spectra is made of those windows in which it is alive.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from premix.arrays import BoolArray, ComplexArray, FloatArray
from premix.model.song import Performance
from premix.model.tracks import Spectra, Windows

GONE_DB = 20.0
"""A mic that falls so much below its usual level against the others is not there; no playing does that to one mic."""
USUAL = 90.0
"""Percentile of a mic's level against the others, over the windows of riff, that is its usual one."""
LEAST_GONE = 0.1
"""Share of the riff that must be missing before a mic is judged on the rest: shorter gaps cost it nothing."""
LEAST_WINDOWS = 3
CHUNK = 24
"""Windows in hand at once."""


def judged_where_alive(performance: Performance) -> Performance:
    """The performance with the spectra of those mics that are gone for a part of the riff taken from the rest of it."""
    windows, spectra = performance.windows, performance.spectra
    if windows is None or windows.count == 0:
        return performance
    riff = _riff(windows)
    for m, own in enumerate(alive_windows(windows, len(spectra.mics), len(performance.close))):
        if LEAST_WINDOWS <= np.count_nonzero(own) < (1.0 - LEAST_GONE) * np.count_nonzero(riff):
            spectra = _heard_in(spectra, windows, m, own)
    return performance if spectra is performance.spectra else replace(performance, spectra=spectra)


def alive_windows(windows: Windows, mics: int, close: int) -> BoolArray:
    """(M, windows) in which a mic plays its part of the riff. close: so many of the first mics are close ones."""
    riff = _riff(windows)
    powers = np.zeros((mics, windows.count))
    own = {m: row for row, (m, n) in enumerate(windows.pairs) if m == n}
    for first, read in _chunks(windows):
        for m, row in own.items():
            powers[m, first : first + len(read)] = read[:, row].real.sum(axis=1)
    level_db = 10.0 * np.log10(np.maximum(powers, 1e-20))
    against_db = level_db - np.median(level_db[:close], axis=0)
    if not riff.any():
        return np.zeros_like(powers, np.bool_)
    usual_db = np.percentile(against_db[:, riff], USUAL, axis=1, keepdims=True)
    return np.asarray(riff & (against_db >= usual_db - GONE_DB))


def _riff(windows: Windows) -> BoolArray:
    """(windows) that hold riff for a quarter of their length."""
    frames = _riff_frames(windows)
    return np.asarray(frames >= 0.25 * windows.window_frames)


def _riff_frames(windows: Windows) -> FloatArray:
    """(windows) frames of riff in each."""
    per, levels = windows.window_frames, windows.levels_db
    playing = np.zeros(windows.count * per)
    playing[: len(levels)] = levels[: windows.count * per] >= windows.riff_db
    return np.asarray(playing.reshape(-1, per).sum(axis=1))


def _heard_in(spectra: Spectra, windows: Windows, m: int, alive: BoolArray) -> Spectra:
    """The spectra with all that mic m shares, and its own power, as they are in the windows where it is alive."""
    rows = {pair: row for row, pair in enumerate(windows.pairs)}
    wide, frames = len(windows.freqs_hz), _riff_frames(windows)
    sums = np.zeros((2, len(windows.pairs), wide), np.complex128)
    counts = np.zeros(2)
    places = np.flatnonzero(alive)
    for half in (0, 1):
        counts[half] = max(1.0, float(frames[places[half::2]].sum()))
    order = {int(window): i % 2 for i, window in enumerate(places)}
    for first, read in _chunks(windows):
        for window in range(first, first + len(read)):
            if window in order:
                sums[order[window]] += read[window - first]
    active, powers = spectra.active.copy(), spectra.active_powers.copy()

    def fine(half: int, row: int) -> ComplexArray:
        """(F) sums of one pair in the bins of the frames, as many frames as the whole half holds."""
        scale = spectra.n_active[half] / (counts[half] * windows.merged)
        out = np.zeros(active.shape[-1], np.complex128)
        out[: wide * windows.merged] = np.repeat(sums[half, row], windows.merged) * scale
        return out

    for half in (0, 1):
        for column, n in enumerate(spectra.partners):
            row = rows.get((m, n))
            if row is not None:
                active[half, m, column] = fine(half, row)
            elif (n, m) in rows:
                active[half, m, column] = fine(half, rows[n, m]).conj()
            if m in spectra.partners:
                active[half, n, spectra.partners.index(m)] = active[half, m, column].conj()
        powers[half, m] = fine(half, rows[m, m]).real
    return replace(spectra, active=active, active_powers=powers)


def _chunks(windows: Windows) -> Iterator[tuple[int, ComplexArray]]:
    """The first of some windows, and their sums (n, P, F)."""
    for first in range(0, windows.count, CHUNK):
        yield first, np.asarray(windows.read(first, min(windows.count, first + CHUNK)), np.complex128)
