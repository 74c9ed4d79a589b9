"""Mics that are later, or earlier, than a microphone can be: an odd file start, a plug-in's latency, a wrong file.

A mic is never given the best place within the search when a better one lies outside it. The cross-spectra see the whole
frame: one inverse FFT tells what a mic, or several together, would add to the sum at any delay within some 150 ms. A
mic that fits nowhere there may start elsewhere altogether: the rise of the level, once a millisecond, tells how many
whole milliseconds apart two files are, up to two seconds; a second scan then reads them in step.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from premix.alignment.lag import find_peaks, score
from premix.alignment.solver import MOST_GROUPED, State, Variable
from premix.arrays import FloatArray
from premix.model.settings import DelayByHand
from premix.model.song import Mic, Performance, Song
from premix.model.tracks import KeyEnvelopes
from premix.units import cm_to_samples, ms_to_samples

FINE_SEARCH_MS = 20.0
"""Widest search around the place at which a mic was read."""
LATE_MS = 30.0
"""Further than this from the reference no mic is moved unless the recipe searches further or says so by hand."""
WHOLE_FRAME = 0.45
"""Share of the frame, before and after, in which a better place is looked for."""
FITS_HERE = 0.9
"""What a mic adds to the sum where it stands, against its best place in the whole frame, below which it belongs
elsewhere: good mics reach 0.98 and more, mics that are held where they do not belong 0.73 at most."""
CLEAR_PLACE = 0.9
"""A place outside the search is clear where every other one, of either polarity, is worth less than this of it."""
SAME_PLACE_MS = 1.0
"""Nearer than this, and upright, is the same place: the top of a sub mic is that broad."""
SAME_START_MS = 1.5
"""Starts of one mic in several performances that are this near are one."""


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """Mics of one performance that fit better `shift_samples` later; fits: what they add here against there."""

    mics: tuple[int, ...]
    shift_samples: float
    fits: float


def whole_frame_samples(state: State) -> float:
    """How far the cross-spectra of a state see, in samples."""
    return WHOLE_FRAME * state.rate / float(state.freqs_hz[1] - state.freqs_hz[0])


def better_place(state: State, k: int, movable: Sequence[int], upright: Sequence[int]) -> Elsewhere | None:
    """Those mics of performance k which, moved together, gain most by a place out of step with the others.

    movable: mics whose delay is to be found; upright: those of them whose polarity is fixed, who may not turn over.
    None where all fit.
    """
    sizes = range(1, len(movable) + 1) if len(movable) <= MOST_GROUPED else (1, 2, len(movable))
    found = []
    for group in (group for size in sizes for group in combinations(movable, size)):
        cross = state.cross_group([Variable(((k, m),), 0.0) for m in group])
        peaks = find_peaks(cross, state.freqs_hz, state.rate, whole_frame_samples(state), 1)
        if peaks and not (peaks[0].polarity < 0 and set(group) & set(upright)):
            fits = score(cross, state.omega, 0.0) / peaks[0].height
            found.append(Elsewhere(group, peaks[0].delay_samples, fits))
    best = min(found, key=lambda one: (one.fits, len(one.mics)), default=None)
    return best if best is not None and best.fits < FITS_HERE else None


def is_clear(state: State, k: int, m: int) -> bool:
    """Whether no other place in the whole frame, of either polarity, comes near the one that a mic has."""
    cross = state.cross_group([Variable(((k, m),), 0.0)])
    here = score(cross, state.omega, 0.0)
    peaks = find_peaks(cross, state.freqs_hz, state.rate, whole_frame_samples(state))
    same = ms_to_samples(SAME_PLACE_MS, state.rate)
    others = (p.height for p in peaks if abs(p.delay_samples) > same or p.polarity < 0)
    return max(others, default=0.0) <= CLEAR_PLACE * here


def in_common(starts: Mapping[tuple[str, str], float], rate: int) -> dict[tuple[str, str], int]:
    """Whole samples of each start by (performance, mic); those of one mic that are nearly the same become one."""
    tolerance = ms_to_samples(SAME_START_MS, rate)
    common: dict[tuple[str, str], int] = {}
    for (performance, mic), start in starts.items():
        known = (other for (_, name), other in common.items() if name == mic and abs(other - start) <= tolerance)
        common[performance, mic] = next(known, round(start))
    return common


LONGEST_S = 180.0
"""So much of the song's beginning is compared; more cannot change which millisecond fits best."""
FURTHEST_MS = 2000.0
LEAST_OFFSET_MS = 5.0
"""A mic that is further off is read again in step: frames that see another part of the sound tell less."""
CLEAR = 1.15
"""The best offset must correlate this much better than any other beyond 20 ms: a steady riff fits itself again
a beat later, but never as well."""
MIN_CORRELATION = 0.3
_FLOOR_DB = 40.0


def odd_starts(song: Song) -> dict[str, int]:
    """Whole samples by which to read close mics of a decided song ahead ('left_a/ribbon'), so that all are in step.

    Of mics that were found, or stated, more than 5 ms from the reference, and of mics that fit nowhere but whose
    level rises and falls as the reference's does, up to two seconds (or the recipe's search) away.
    """
    starts: dict[tuple[str, str], float] = {}
    for performance in song.performances:
        lags = None
        for mic in performance.close:
            decision, start = mic.decision, _stated(mic, song)
            if start is None and decision.refusal in ("alignment-incoherent", "alignment-offset"):
                lags = dict(_coarse_lags(song, performance)) if lags is None else lags
                start = lags.get(mic.name)
            elif start is None:
                start = decision.arrival_samples
            if start is not None and abs(start) >= ms_to_samples(LEAST_OFFSET_MS, song.rate):
                starts[performance.name, mic.name] = start
    return {f"{performance}/{mic}": start for (performance, mic), start in in_common(starts, song.rate).items()}


def _stated(mic: Mic, song: Song) -> float | None:
    """The delay that the recipe or a sheet fixes, in samples."""
    if mic.decision.origin == "sheet":
        return mic.decision.delay_samples
    return delay_by_hand(mic, song.rate, song.alignment.temperature_c)


def delay_by_hand(mic: Mic, rate: int, temperature_c: float) -> float | None:
    """The delay in samples that the recipe fixes, None where it is to be found."""
    delay = mic.delay
    if not isinstance(delay, DelayByHand):
        return None if delay == "auto" else 0.0
    if delay.ms is not None:
        return ms_to_samples(delay.ms, rate)
    return cm_to_samples(delay.cm, rate, temperature_c) if delay.cm is not None else delay.samples


def _coarse_lags(song: Song, performance: Performance) -> Iterator[tuple[str, float]]:
    """Mic and samples by which its level is behind the reference's, of those where that is clear."""
    envelopes = performance.envelopes
    if performance.reference not in envelopes.mics:
        return
    rises = _rises(envelopes)
    furthest_ms = max(song.alignment.search_ms, FURTHEST_MS)
    reach = int(np.ceil(ms_to_samples(furthest_ms, song.rate) / envelopes.hop))
    reference = rises[envelopes.mics.index(performance.reference)]
    for mic, rise in zip(envelopes.mics, rises, strict=True):
        frames = _best_lag(rise, reference, reach) if mic != performance.reference else None
        if frames is not None:
            yield mic, float(frames * envelopes.hop)


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
