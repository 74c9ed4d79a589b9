"""How sure a decision is: a word that was earned, and a range that holds the true delay in nine cases of ten.

Both come from the parts of the song, as the notes of each are others: the coherence of the whole says how little noise
there is, not how much an answer depends on what happened to be played. The range is a jackknife over the windows (Efron
& Stein, Annals of Statistics 9(3), 1981); the word is what share of simulated mics with such evidence was wrong.
"""

import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from premix.alignment.case import Case
from premix.alignment.kernel import build_kernel
from premix.alignment.stretches import Stretch, StretchSpectra
from premix.arrays import ComplexArray, FloatArray
from premix.model.alignment import Confidence, MicDecision
from premix.model.settings import Role
from premix.model.song import Mic, Performance, Song

COVERED = 0.95
"""Quantile of Student's t on each side: the range holds the true value in nine cases of ten."""
LEAST_PARTS = 3
LEAST_SIZE = 0.1
WORDS: dict[Confidence, tuple[float, float, float]] = {"sure": (0.5, 0.8, 0.6), "good": (0.2, 0.7, 0.5)}
"""Least margin in dB, coherence and evenness of a word; what does not reach the last one is fair. Set on simulated
mics, half of the set-ups with a fault, so that no sure one of them was wrong; tests/bench/words.py tells the shares on
others. Beside a close mic that is only fair nobody is sure."""
SUB_SHARE = 0.5
"""A sub mic shares a few bands with the others, so its margin need only be this much of that."""
WIDEST_S: dict[Role, float] = {"close": 80e-6, "sub": 400e-6, "room": 0.0}
"""Half a range that is wider earns no better word than fair."""
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class Parts:
    """What the windows of the song say of one mic, one after the other (W).

    slopes, bends: of the score against the rest at the decision's delay, per sample and per sample^2; scores: the
    score itself, > 0 where that window too wants this polarity; sizes: what it could be there at the most.
    """

    slopes: FloatArray
    bends: FloatArray
    scores: FloatArray
    sizes: FloatArray


def judged(song: Song, cases: Sequence[Case]) -> Song:
    """The song whose decisions say how sure they are; cases: one a performance, with its decisions in the song."""
    parts: dict[tuple[str, str], Parts] = {}
    for performance, case in zip(song.performances, cases, strict=True):
        parts |= {(performance.name, name): own for name, own in _parts(performance, case)}

    def said(performance: str, decision: MicDecision) -> MicDecision:
        own = parts.get((performance, decision.mic))
        if own is None or decision.origin != "auto":
            return decision
        # Performances that share a delay tell it together.
        shared = [
            other
            for (name, mic), other in parts.items()
            if mic == decision.mic and _delay(song, name, mic) == decision.delay_samples
        ]
        range_samples = half_range(shared)
        spread = decision.spread_samples
        if range_samples is not None and spread is not None:
            range_samples = float(np.hypot(range_samples, 1.645 * spread))
        said_word = word(decision, own, range_samples, song.rate)
        return replace(decision, range_samples=range_samples, confidence=said_word)

    song = song.with_mics(lambda mic: replace(mic, decision=said(mic.performance, mic.decision)))
    return song.with_mics(lambda mic: replace(mic, decision=_beside_doubt(song.performance(mic.performance), mic)))


def _beside_doubt(performance: Performance, mic: Mic) -> MicDecision:
    """The mic's decision, which is not sure where another close mic of its sum is only fair: all are held against the
    sum of the others, so one that is off pulls the rest. (The reference stays where it is, whatever its word.)"""
    doubtful = (
        other.decision.summed and other.role == "close" and other.decision.confidence == "fair"
        for other in performance.mics
        if other.name not in (mic.name, mic.decision.reference)
    )
    if mic.decision.confidence == "sure" and any(doubtful):
        return replace(mic.decision, confidence="good")
    return mic.decision


def _delay(song: Song, performance: str, mic: str) -> float:
    found = song.performance(performance).mic(mic)
    return float("nan") if found is None else found.decision.delay_samples


def half_range(parts: Sequence[Parts]) -> float | None:
    """Half the range, in samples, that holds the true delay in nine cases of ten; None where parts are too few."""
    slopes = np.concatenate([own.slopes for own in parts])
    bends = np.concatenate([own.bends for own in parts])
    count = len(slopes)
    if count < LEAST_PARTS or bends.sum() <= 0.0:
        return None
    if (bends.sum() - bends).min() <= 0.1 * bends.sum():
        return None  # one window tells nearly all
    left = -(slopes.sum() - slopes) / (bends.sum() - bends)
    variance = (count - 1.0) / count * float(np.sum((left - left.mean()) ** 2))
    return student_t(count - 1) * float(np.sqrt(variance))


def student_t(freedom: int) -> float:
    """The COVERED quantile of Student's t, within 0.3 % from two degrees of freedom on, and 0.02 % from four on.

    Abramowitz & Stegun, Handbook of Mathematical Functions, 26.7.5. (Importing scipy.special costs more than this.)
    """
    x = statistics.NormalDist().inv_cdf(COVERED)
    terms = (
        x,
        (x**3 + x) / 4.0,
        (5.0 * x**5 + 16.0 * x**3 + 3.0 * x) / 96.0,
        (3.0 * x**7 + 19.0 * x**5 + 17.0 * x**3 - 15.0 * x) / 384.0,
        (79.0 * x**9 + 776.0 * x**7 + 1482.0 * x**5 - 1920.0 * x**3 - 945.0 * x) / 92160.0,
    )
    return float(sum(term / freedom**power for power, term in enumerate(terms)))


def evenness(parts: Parts) -> float:
    """How well the decision serves the windows that it serves worst, against the usual one: 1 where all are alike, 0 or
    less where some would be better off without it. Windows that hold next to nothing of the mic do not count."""
    heard = parts.sizes > LEAST_SIZE * np.median(parts.sizes)
    if np.count_nonzero(heard) < LEAST_PARTS:
        return 0.0
    served = parts.scores[heard] / parts.sizes[heard]
    return float(np.percentile(served, 5.0) / max(float(np.median(served)), _TINY))


def word(decision: MicDecision, parts: Parts, range_samples: float | None, rate: int) -> Confidence:
    """What the evidence is worth."""
    if range_samples is None or range_samples > WIDEST_S[decision.role] * rate:
        return "fair"
    margin_db = (decision.margin_db or 0.0) / (SUB_SHARE if decision.role == "sub" else 1.0)
    figures = margin_db, decision.coherence or 0.0, evenness(parts)
    for name, least in WORDS.items():
        if all(figure >= floor for figure, floor in zip(figures, least, strict=True)):
            return name
    return "fair"


def _parts(performance: Performance, case: Case) -> Iterator[tuple[str, Parts]]:
    """Of every mic in the sum of a performance."""
    windows = performance.windows
    decisions = [next(mic.decision for mic in performance.mics if mic.name == own.name) for own in case.mics]
    summed = [m for m, d in enumerate(decisions) if d.summed and d.role != "room" and d.refusal is None]
    if windows is None or not windows.count or len(summed) < 2:
        return
    spectra = StretchSpectra(case, performance.spectra, windows, decisions)
    scale, use = _weights(case, spectra)
    each = [Stretch((w,), 0.0, 0.0, windows.window_frames, 0.0) for w in _riff(performance)]
    found: dict[int, list[tuple[FloatArray, ...]]] = {m: [] for m in summed}
    for part in spectra.chunks(each):
        matrix, _ = spectra.aligned(each[part])
        for m in summed:
            cross = np.zeros((len(matrix), matrix.shape[-1]), np.complex128)
            for column, n in enumerate(spectra.partners):
                if n in summed and n != m:
                    cross += matrix[:, m, column] * use[n]
            found[m].append(_moments(cross * (use[m] * scale), spectra.omega))
    for m, pieces in found.items():
        yield case.mics[m].name, Parts(*(np.concatenate(values) for values in zip(*pieces, strict=True)))


def _moments(cross: ComplexArray, omega: FloatArray) -> tuple[FloatArray, ...]:
    """Slope, bend, value and size (s) of the score of aligned cross-spectra (s, F)."""
    slope, bend = (omega * cross.imag).sum(axis=1), (omega**2 * cross.real).sum(axis=1)
    return slope, bend, cross.real.sum(axis=1), np.abs(cross).sum(axis=1)


def _weights(case: Case, spectra: StretchSpectra) -> tuple[FloatArray, FloatArray]:
    """Weight of each of the windows' bins (F) in the sum efficiency, and where each mic counts (M, F)."""
    kernel = build_kernel(case.signal, case.chosen)
    at = np.searchsorted(case.signal.freqs_hz, spectra.freqs_hz)
    return kernel.scale[at], kernel.use[:, at]


def _riff(performance: Performance) -> list[int]:
    """The windows that hold riff for a quarter of their length."""
    windows = performance.windows
    assert windows is not None
    per = windows.window_frames
    riff = windows.levels_db >= windows.riff_db
    return [w for w in range(windows.count) if np.count_nonzero(riff[w * per : (w + 1) * per]) >= 0.25 * per]
