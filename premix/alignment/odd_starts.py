"""Odd starts: files exported from different places, or with an interface's latency left in, found on the envelopes.

The frames of the cross-spectra see delays of some 20 ms. Beyond that the rise of the level, once a millisecond,
tells how many whole milliseconds apart two files are; a second scan then reads them in step.
"""

import numpy as np

from premix.alignment.case import FINE_SEARCH_MS
from premix.arrays import FloatArray
from premix.model.analysis import Analysis, KeyEnvelopes
from premix.model.recipe import Recipe
from premix.units import ms_to_samples

LONGEST_S = 180.0
"""So much of the song's beginning is compared; more cannot change which millisecond fits best."""
LEAST_OFFSET_MS = 5.0
CLEAR = 1.15
"""The best offset must correlate this much better than any other beyond 20 ms: a steady riff fits itself again
a beat later, but never as well."""
MIN_CORRELATION = 0.3
_FLOOR_DB = 40.0


def coarse_offsets(recipe: Recipe, analysis: Analysis) -> dict[str, int]:
    """Whole samples by which to advance each close mic ('left_a/ribbon'), those that need none left out.

    Empty unless the recipe searches wider than 20 ms. Mics whose offset is not clear are left out too: they will
    be refused as incoherent, never guessed.
    """
    if recipe.alignment.search_ms <= FINE_SEARCH_MS:
        return {}
    found: dict[str, int] = {}
    for envelopes in analysis.envelopes:
        rises = _rises(envelopes)
        reference = recipe.reference_mic()
        if reference not in envelopes.mics:
            continue
        reach = int(np.ceil(ms_to_samples(recipe.alignment.search_ms, analysis.rate) / envelopes.hop))
        for mic, rise in zip(envelopes.mics, rises, strict=True):
            hand = recipe.mic_in(envelopes.performance, mic)
            if mic == reference or hand.delay != "auto":
                continue
            frames = _best_lag(rise, rises[envelopes.mics.index(reference)], reach)
            if frames is not None and abs(frames) * envelopes.hop >= ms_to_samples(LEAST_OFFSET_MS, analysis.rate):
                found[f"{envelopes.performance}/{mic}"] = frames * envelopes.hop
    return found


def _rises(envelopes: KeyEnvelopes) -> FloatArray:
    """(M, n) rise of each mic's level from one control frame to the next, in dB, falls left out, mean removed."""
    frames = min(envelopes.frames, int(LONGEST_S * envelopes.rate / envelopes.hop))
    power = envelopes.read(0, frames).astype(np.float64)
    loud = np.maximum(power.max(axis=1, keepdims=True), 1e-20)
    level = 10.0 * np.log10(np.maximum(power, loud * 10.0 ** (-_FLOOR_DB / 10.0)))
    smooth = np.apply_along_axis(np.convolve, 1, level, np.ones(5) / 5.0, "same") if frames >= 5 else level
    rise = np.maximum(np.diff(smooth, axis=1, prepend=smooth[:, :1]), 0.0)
    return np.asarray(rise - rise.mean(axis=1, keepdims=True), np.float64)


def _best_lag(late: FloatArray, reference: FloatArray, reach: int) -> int | None:
    """Control frames by which `late` is behind `reference`, None when no lag stands out."""
    size = int(2 ** np.ceil(np.log2(len(late) + reach + 1)))
    scale = float(np.sqrt(np.dot(late, late) * np.dot(reference, reference)))
    if scale <= 0.0:
        return None
    curve = np.fft.irfft(np.fft.rfft(late, size) * np.fft.rfft(reference, size).conj(), size) / scale
    lags = np.arange(-reach, reach + 1)
    values = curve[lags]
    best = int(np.argmax(values))
    others = values[np.abs(lags - lags[best]) > 20]
    clear = values[best] >= MIN_CORRELATION and values[best] >= CLEAR * float(others.max(initial=0.0))
    return int(lags[best]) if clear else None
