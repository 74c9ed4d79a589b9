"""Sum efficiency of finished decisions, overall and by third octave: 0 dB is every band of every mic in phase."""

import numpy as np

from premix.alignment.kernel import HIGH_HZ, WIDE_HIGH_HZ, BoolArray, Kernel, SignalSpectra, build_kernel
from premix.model.alignment import BandEfficiency, Efficiency
from premix.model.analysis import ComplexArray, FloatArray
from premix.units import power_to_db

UNITY = 1e-12


def phase_terms(
    freqs_hz: FloatArray, rate: int, delays: FloatArray, signs: FloatArray, responses: ComplexArray | None = None
) -> ComplexArray:
    """(M, F) conj of p e^{+j 2 pi f d} H of each mic: delays (M) in samples, signs (M), responses (M, F) or none."""
    turned: ComplexArray = signs[:, None] * np.exp(-2j * np.pi * freqs_hz / rate * delays[:, None])
    return turned if responses is None else turned * responses.conj()


def band_energies(kernel: Kernel, turned: ComplexArray) -> FloatArray:
    """(B) energy of the sum in each band against its limit, 0 to 1; 0 in bands without weight."""
    summed = np.real(np.einsum("mf,mnf,nf->f", turned.conj(), kernel.matrix, turned, optimize=True))
    energies = np.zeros(len(kernel.weights))
    for b, part in enumerate(kernel.slices):
        if kernel.weights[b] > 0.0:
            energies[b] = max(0.0, float(summed[part].sum()) / kernel.weights[b])
    return energies


def measure_efficiency(
    performance: str, signal: SignalSpectra, chosen: BoolArray, before: ComplexArray, after: ComplexArray
) -> Efficiency:
    """Efficiency of the `chosen` (M) mics as recorded (`before`) and as decided (`after`), phase terms (M, F)."""
    main = build_kernel(signal, signal.matrix, chosen, HIGH_HZ)
    wide = build_kernel(signal, signal.matrix, chosen, WIDE_HIGH_HZ)
    energies = [band_energies(k, t) for k in (main, wide) for t in (before, after)]
    weights = [main.weights, main.weights, wide.weights, wide.weights]
    figures = [_mean_db(e, w) for e, w in zip(energies, weights, strict=True)]
    bands = tuple(
        BandEfficiency(
            band.centre_hz,
            power_to_db(max(UNITY, energies[2][b])),
            power_to_db(max(UNITY, energies[3][b])),
            float(main.weights[b]),
        )
        for b, band in enumerate(signal.bands)
        if wide.weights[b] > 0.0
    )
    without = []
    for m in np.flatnonzero(chosen).tolist():
        turned = after.copy()
        turned[m] = before[m]
        without.append((signal.mics[m], _mean_db(band_energies(main, turned), main.weights)))
    before_db, after_db, before_10k_db, after_10k_db = figures
    return Efficiency(performance, before_db, after_db, before_10k_db, after_10k_db, bands, tuple(without))


def _mean_db(energies: FloatArray, weights: FloatArray) -> float:
    """Weighted mean in dB; a performance with nothing to align is at the limit by definition."""
    if not weights.any():
        return 0.0
    return power_to_db(max(UNITY, float(np.dot(energies, weights))))
