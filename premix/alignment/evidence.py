"""How sure a decision is: coherence with the rest of the set-up, agreement of the halves, spread of the delay.

The spread is the Cramer-Rao bound of a delay between two sensors, 1/var = 2 K sum over f of w^2 C/(1-C)
(Knapp & Carter 1976; Carter, Proc. IEEE 75(2), 1987), with the measured coherence C of K independent frames.
"""

from dataclasses import dataclass

import numpy as np

from premix.alignment.kernel import SignalSpectra
from premix.arrays import ComplexArray, FloatArray
from premix.audio.bands import band_slices

_TINY = 1e-300
MAX_COHERENCE = 0.9999
MIN_DENSITY = 1e-7
"""Power density, against the mic's strongest, below which a bin tells nothing (-70 dB)."""
SMOOTH_BINS = 21
"""Bins (60 Hz) over which coherence is averaged where the delay is weighed: narrower than a third octave up high."""


@dataclass(frozen=True, slots=True)
class Against:
    """One mic against the aligned sum of the others.

    cross: (F) cross-spectrum X_m conj(Y). halves: (2, F) the same by half. coherence: (B) bias-corrected mean
    magnitude-squared coherence of each band; local: (F) the same around each bin, 0 in masked bands.
    present, mask: (B) bands of the mic.
    """

    freqs_hz: FloatArray
    slices: tuple[slice, ...]
    cross: ComplexArray
    halves: ComplexArray
    coherence: FloatArray
    local: FloatArray
    present: FloatArray
    mask: FloatArray
    frames: float


def against_rest(signal: SignalSpectra, m: int, turned: ComplexArray) -> Against:
    """Mic `m` against the sum of the mics with a phase term in `turned` (M, F); zero rows and m are left out."""
    turned = turned.copy()
    turned[m] = 0.0
    cross = np.einsum("nf,nf->f", signal.matrix[m], turned)
    halves = np.einsum("hnf,nf->hf", signal.halves[:, m], turned)
    rest = np.real(np.einsum("mf,mf->f", turned.conj(), np.einsum("mnf,nf->mf", signal.matrix, turned)))
    noise = np.einsum("nf,nf->f", np.abs(turned) ** 2, signal.total - np.real(np.einsum("mmf->mf", signal.matrix)))
    power = signal.total[m] * np.maximum(rest + noise, _TINY)
    raw = np.minimum(np.abs(cross) ** 2 / np.maximum(power, _TINY), 1.0)
    slices = band_slices(signal.freqs_hz, signal.bands)
    mean = np.array([raw[part].mean() if part.stop > part.start else 0.0 for part in slices])
    chance = 1.0 / max(signal.frames, 2.0)
    coherence = np.clip((mean - chance) / (1.0 - chance), 0.0, MAX_COHERENCE)
    local = np.clip((_smooth(raw) - chance) / (1.0 - chance), 0.0, MAX_COHERENCE)
    covered = np.zeros(len(raw))
    for b, part in enumerate(slices):
        covered[part] = signal.mask[m, b]
    density = _smooth(signal.total[m])
    covered[density < MIN_DENSITY * density.max(initial=0.0)] = 0.0  # leakage of the window is coherent, and wrong
    return Against(
        signal.freqs_hz,
        slices,
        cross,
        halves,
        coherence,
        local * covered,
        signal.present[m].astype(np.float64),
        signal.mask[m].astype(np.float64),
        signal.frames,
    )


def mean_coherence(against: Against) -> float:
    """Coherence averaged over the bands in which the mic stands out of its noise and shares something, 0 to 1."""
    weight = against.mask
    return float(np.dot(against.coherence, weight) / weight.sum()) if weight.any() else 0.0


def halves_agreement(against: Against) -> float:
    """How alike the two halves' cross-spectra are, 0 (chance) to 1: every band of the mic counts the same.

    A real mic has one phase relation all through the take; another take's file has a new one with every note.
    """
    product, size = 0.0, 0.0
    for b, part in enumerate(against.slices):
        if against.present[b] and part.stop > part.start:
            first, second = against.halves[0, part], against.halves[1, part]
            norm = float(np.sqrt((np.abs(first) ** 2).sum() * (np.abs(second) ** 2).sum()))
            if norm > 0.0:
                product += float(np.real(np.dot(first, second.conj()))) / norm
            size += 1.0
    return product / size if size else 0.0


def information(against: Against, rate: int) -> FloatArray:
    """(F) Fisher information of the delay, per sample^2 and bin, from the coherence around the bin."""
    omega = 2.0 * np.pi * against.freqs_hz / rate
    return np.asarray(2.0 * against.frames * omega**2 * against.local / (1.0 - against.local), np.float64)


def delay_spread(against: Against, rate: int) -> float:
    """Standard deviation of the delay in samples that the noise alone explains (infinite without information)."""
    total = float(information(against, rate).sum())
    return 1.0 / np.sqrt(total) if total > 0.0 else float("inf")


def _smooth(values: FloatArray) -> FloatArray:
    """Moving mean over SMOOTH_BINS bins, shorter at the ends."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    centre = np.arange(len(values))
    low = np.maximum(centre - SMOOTH_BINS // 2, 0)
    high = np.minimum(centre + SMOOTH_BINS // 2 + 1, len(values))
    return np.asarray((sums[high] - sums[low]) / (high - low), np.float64)


def likeliest_shift(againsts: list[Against], signs_delays: list[tuple[int, float]], rate: int) -> tuple[float, float]:
    """Maximum-likelihood correction of a delay near its peak, and the information behind it.

    againsts: the mic in each performance; signs_delays: its polarity and delay there. One Newton step on the
    phase weighted by C/(1-C) (Knapp & Carter 1976, the maximum-likelihood processor).
    """
    slope = bend = 0.0
    for against, (sign, delay) in zip(againsts, signs_delays, strict=True):
        weight = information(against, rate)
        omega = 2.0 * np.pi * against.freqs_hz / rate
        turned = sign * against.cross / np.maximum(_smooth(np.abs(against.cross)), _TINY) * np.exp(1j * omega * delay)
        slope += float(np.dot(weight / omega, turned.imag))
        bend += float(np.dot(weight, turned.real))
    return (-slope / bend, bend) if bend > 0.0 else (0.0, 0.0)
