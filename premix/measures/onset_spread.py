"""Onset spread of doubled performances: how far apart the same onsets were played. Measured, never moved."""

from collections.abc import Sequence

import numpy as np

from premix.model.doubling import OnsetSpread

WINDOW_MS = 50.0
"""Onsets closer than this may be the same one: the window of the common onset evaluations."""


def match_onsets(onsets_a_s: Sequence[float], onsets_b_s: Sequence[float]) -> list[tuple[float, float]]:
    """Pairs (a, b) of onsets in seconds within 50 ms, each used once, the closest first; in time order."""
    b = np.sort(np.asarray(onsets_b_s, np.float64))
    window_s = WINDOW_MS / 1000.0
    candidates = []
    for i, onset in enumerate(sorted(onsets_a_s)):
        first, last = np.searchsorted(b, onset - window_s), np.searchsorted(b, onset + window_s, side="right")
        candidates += [(abs(b[j] - onset), i, j, onset) for j in range(first, last)]
    used_a: set[int] = set()
    used_b: set[int] = set()
    pairs = []
    for _, i, j, onset in sorted(candidates):
        if i not in used_a and j not in used_b:
            used_a.add(i)
            used_b.add(j)
            pairs.append((float(onset), float(b[j])))
    return sorted(pairs)


def onset_spread(
    onsets_a_s: Sequence[float],
    onsets_b_s: Sequence[float],
    performance_a: str = "a",
    performance_b: str = "b",
) -> OnsetSpread:
    """Spread of the matched onsets (start times of the riff's passages, in seconds) of two performances."""
    pairs = np.array(match_onsets(onsets_a_s, onsets_b_s)).reshape(-1, 2)
    late_ms = (pairs[:, 1] - pairs[:, 0]) * 1000.0
    found = len(late_ms) > 0
    return OnsetSpread(
        performance_a=performance_a,
        performance_b=performance_b,
        onsets_a=len(onsets_a_s),
        onsets_b=len(onsets_b_s),
        matched=len(late_ms),
        median_ms=float(np.median(np.abs(late_ms))) if found else None,
        p90_ms=float(np.percentile(np.abs(late_ms), 90)) if found else None,
        offset_ms=float(np.median(late_ms)) if found else None,
    )
