"""How sure a decision is: coherence with the rest of the set-up, agreement of the halves, spread of the delay.

The spread is the Cramer-Rao bound of a delay between two sensors, 1/var = 2 K sum over f of w^2 C/(1-C)
(Knapp & Carter 1976; Carter, Proc. IEEE 75(2), 1987), with the measured coherence C and K frames side by side: frames
that overlap under a window are nearly independent in each bin, but then neighbouring bins are not.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from premix.alignment.kernel import SignalSpectra
from premix.arrays import ComplexArray, FloatArray

_TINY = 1e-300
MAX_COHERENCE = 0.9999
MIN_DENSITY = 1e-7
"""Power density, against the mic's strongest, below which a bin tells nothing (-70 dB)."""
SMOOTH_BINS = 21
"""Bins (60 Hz) over which coherence is averaged where the delay is weighed: narrower than a third octave up high."""


@dataclass(frozen=True, slots=True)
class Against:
    """Mic `m` against the aligned sum of the others, or of those of its partners.

    terms: (A, F) conj phase terms of the partners that it is held against. cross: (F) cross-spectrum X_m conj(Y).
    coherence: (B) bias-corrected mean magnitude-squared coherence of each band; local: (F) the same around each bin,
    0 in masked bands.
    """

    signal: SignalSpectra
    m: int
    terms: ComplexArray
    cross: ComplexArray
    coherence: FloatArray
    local: FloatArray

    def halves(self) -> ComplexArray:
        """(2, F) cross-spectrum of each half of the frames."""
        cross: ComplexArray = np.einsum("hnf,nf->hf", self.signal.halves(self.m), self.terms)
        return cross


def against_rest(signal: SignalSpectra, m: int, turned: ComplexArray) -> Against:
    """Mic `m` against the sum of its partners with a phase term in `turned` (M, F); zero rows and m are left out."""
    partners, column = signal.partners, signal.column(m)
    turned = turned[partners]
    if column is not None:
        turned[column] = 0.0
    cross = np.einsum("nf,nf->f", signal.matrix[m], turned)
    rest = np.real(np.einsum("mf,mf->f", turned.conj(), np.einsum("mnf,nf->mf", signal.core, turned)))
    noise = np.einsum("nf,nf->f", np.abs(turned) ** 2, (signal.total - signal.power)[partners])
    power = signal.total[m] * np.maximum(rest + noise, _TINY)
    raw = np.minimum(np.abs(cross) ** 2 / np.maximum(power, _TINY), 1.0)
    mean = np.array([raw[part].mean() if part.stop > part.start else 0.0 for part in signal.slices])
    coherence, local = (
        np.clip((share - signal.chance) / (1.0 - signal.chance), 0.0, MAX_COHERENCE) for share in (mean, _smooth(raw))
    )
    covered = np.zeros(len(raw))
    for b, part in enumerate(signal.slices):
        covered[part] = signal.mask[m, b]
    density = _smooth(signal.total[m])
    covered[density < MIN_DENSITY * density.max(initial=0.0)] = 0.0  # leakage of the window is coherent, and wrong
    return Against(signal, m, turned, cross, coherence, local * covered)


def mean_coherence(against: Against) -> float:
    """Coherence averaged over the bands in which the mic stands out of its noise and shares something, 0 to 1."""
    weight = against.signal.mask[against.m].astype(np.float64)
    return float(np.dot(against.coherence, weight) / weight.sum()) if weight.any() else 0.0


def halves_agreement(against: Against) -> float:
    """How alike the two halves' cross-spectra are, 0 (chance) to 1: every band of the mic counts the same.

    A real mic has one phase relation all through the take; another take's file has a new one with every note.
    """
    product, size = 0.0, 0.0
    halves = against.halves()
    for present, part in zip(against.signal.present[against.m], against.signal.slices, strict=True):
        if present and part.stop > part.start:
            first, second = halves[0, part], halves[1, part]
            norm = float(np.sqrt((np.abs(first) ** 2).sum() * (np.abs(second) ** 2).sum()))
            if norm > 0.0:
                product += float(np.real(np.dot(first, second.conj()))) / norm
            size += 1.0
    return product / size if size else 0.0


def _information(against: Against) -> FloatArray:
    """(F) Fisher information of the delay, per sample^2 and bin, from the coherence around the bin."""
    signal, local = against.signal, against.local
    return 2.0 * signal.stretches * signal.omega**2 * local / (1.0 - local)


def delay_spread(againsts: Iterable[Against]) -> float:
    """Standard deviation in samples that the noise alone explains of a delay that a mic has in several performances.

    Infinite without information.
    """
    total = sum(float(_information(against).sum()) for against in againsts)
    return 1.0 / np.sqrt(total) if total > 0.0 else float("inf")


def likeliest_shift(againsts: Sequence[Against], signs: Sequence[int], delay_samples: float) -> float:
    """Maximum-likelihood correction in samples of a delay near its peak; 0 where nothing tells it.

    againsts: the mic in each performance; signs: its polarity there. One Newton step on the phase weighted by
    C/(1-C) (Knapp & Carter 1976, the maximum-likelihood processor).
    """
    slope = bend = 0.0
    for against, sign in zip(againsts, signs, strict=True):
        weight, omega = _information(against), against.signal.omega
        turned = sign * evened(against) * np.exp(1j * omega * delay_samples)
        slope += float(np.dot(weight / omega, turned.imag))
        bend += float(np.dot(weight, turned.real))
    return -slope / bend if bend > 0.0 else 0.0


def evened(against: Against) -> ComplexArray:
    """(F) cross-spectrum whose magnitude is 1 on average over any SMOOTH_BINS bins: what the notes played is out of it,
    and what a reflection does to neighbouring bins stays."""
    return np.asarray(against.cross / np.maximum(_smooth(np.abs(against.cross)), _TINY))


def _smooth(values: FloatArray) -> FloatArray:
    """Moving mean over SMOOTH_BINS bins, shorter at the ends."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    centre = np.arange(len(values))
    low = np.maximum(centre - SMOOTH_BINS // 2, 0)
    high = np.minimum(centre + SMOOTH_BINS // 2 + 1, len(values))
    return np.asarray((sums[high] - sums[low]) / (high - low), np.float64)
