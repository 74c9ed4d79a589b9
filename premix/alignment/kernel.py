"""From cross-spectra to the kernel of the sum efficiency: noise taken out, bands without signal masked, bands weighted.

The kernel K (M, M, F) of a performance is scaled so that
    efficiency(p, d) = Re sum over m, n, f of p_m p_n K[m, n, f] e^{+j 2 pi f (d_m - d_n)}
is the mean over third-octave bands of |aligned sum|^2 / (sum of magnitudes)^2: 1 is the physical limit.

Sum efficiency of finished decisions, overall and by third octave: 0 dB is every band of every mic in phase.
"""

from dataclasses import dataclass, replace

import numpy as np

from premix.arrays import BoolArray, ComplexArray, FloatArray
from premix.audio.bands import Band, band_slices, third_octave_bands
from premix.model.alignment import BandEfficiency, Efficiency
from premix.model.analysis import Spectra
from premix.units import power_to_db

LOW_HZ, HIGH_HZ, WIDE_HIGH_HZ = 40.0, 6_300.0, 10_000.0
SUB_BAND_HZ = (40.0, 250.0)
"""A sub mic is judged here alone: above, its band-pass skirt turns the phase."""
MIN_QUIET_FRAMES = 6
"""Quiet frames from which the noise can be told from the stops."""
MIN_SIGNAL_TO_NOISE = 0.5
"""Power ratio below which a band of a mic holds noise only."""
MIN_LEVEL_DB = -50.0
"""Level of a band below the mic's strongest one under which it holds leakage of the analysis window only."""
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class SignalSpectra:
    """Cross-spectra of what the mics share with the guitar, per active frame, in the recipe's filters and gains.

    matrix: (M, M, F), noise of the stops taken out, diagonal >= 0. halves: (2, M, M, F), the same by half.
    total: (M, F) power with the noise left in. frames: independent frames behind `matrix`.
    present: (M, B) bands in which a mic stands out of its own noise. mask: (M, B) those of them in which it shares
    something with another mic: these carry weight.
    """

    mics: tuple[str, ...]
    freqs_hz: FloatArray
    bands: tuple[Band, ...]
    matrix: ComplexArray
    halves: ComplexArray
    total: FloatArray
    frames: float
    present: BoolArray
    mask: BoolArray


@dataclass(frozen=True, slots=True)
class Kernel:
    """The scaled kernel of one performance; weights: (B) of each band in the mean, they sum to 1 (or are all 0).

    limit: (B) the physical limit of each band's energy, (sum of magnitudes)^2.
    """

    mics: tuple[str, ...]
    freqs_hz: FloatArray
    matrix: ComplexArray
    weights: FloatArray
    limit: FloatArray
    slices: tuple[slice, ...]


def signal_spectra(
    spectra: Spectra, responses: ComplexArray, is_sub: BoolArray, high_hz: float = HIGH_HZ
) -> SignalSpectra:
    """Take the noise out of `spectra` and find the bands that hold signal.

    responses: (M, F) complex gain of each mic before the sum (gain and filters of the recipe; 1 for none).
    is_sub: (M). Noise that is the same in riff and stops (hiss, hum, its lines included) is subtracted when
    enough quiet frames were seen; without stops, the coherence between mics decides alone.
    """
    bands = third_octave_bands(LOW_HZ, high_hz)
    slices = band_slices(spectra.freqs_hz, bands)
    pair = responses[:, None, :] * responses[None, :, :].conj()
    counts = np.maximum(np.array(spectra.n_active, np.float64), 1.0)
    halves = spectra.active / counts[:, None, None, None] * pair
    both = spectra.active.sum(axis=0) / max(1, sum(spectra.n_active)) * pair
    total = np.real(np.einsum("mmf->mf", both)).copy()
    level = np.stack([total[:, part].sum(axis=1) for part in slices], axis=1)
    mask = level > level.max(axis=1, keepdims=True) * 10.0 ** (MIN_LEVEL_DB / 10.0)
    if spectra.n_quiet >= MIN_QUIET_FRAMES:
        noise = spectra.quiet / spectra.n_quiet * pair
        both, halves = both - noise, halves - noise
        noise_power = np.real(np.einsum("mmf->mf", noise))
        for b, part in enumerate(slices):
            signal = total[:, part].sum(axis=1) - noise_power[:, part].sum(axis=1)
            mask[:, b] = signal > MIN_SIGNAL_TO_NOISE * noise_power[:, part].sum(axis=1)
    for matrix in (both, *halves):
        np.einsum("mmf->mf", matrix)[:] = np.maximum(np.real(np.einsum("mmf->mf", matrix)), 0.0)
    frames = sum(spectra.n_active) * spectra.hop / spectra.frame * 2.0 * 0.95
    below, above = SUB_BAND_HZ[0] * 0.98, SUB_BAND_HZ[1] * 1.02
    foreign = np.array([not below <= band.centre_hz <= above for band in bands])
    mask[np.ix_(is_sub, foreign)] = False
    result = SignalSpectra(spectra.mics, spectra.freqs_hz, bands, both, halves, total, frames, mask, mask)
    return _masked(result, slices)


def _masked(signal: SignalSpectra, slices: tuple[slice, ...]) -> SignalSpectra:
    """Mask bands in which the coherence of a mic with every other one is at chance."""
    mask = signal.present.copy()
    chance = 1.0 / max(signal.frames, 1.0)
    for b, part in enumerate(slices):
        bins = part.stop - part.start
        if bins < 1:
            mask[:, b] = False
            continue
        coherence = pair_coherence(signal.matrix[:, :, part], signal.total[:, part]).mean(axis=2)
        np.fill_diagonal(coherence, 0.0)
        threshold = chance * (1.0 + 4.0 / np.sqrt(max(bins / 1.5, 1.0)))
        mask[:, b] &= coherence.max(axis=1, initial=0.0) > threshold
    return replace(signal, mask=mask)


def pair_coherence(matrix: ComplexArray, total: FloatArray) -> FloatArray:
    """Magnitude-squared coherence (M, M, F) of a signal matrix (M, M, F) against total powers (M, F), at most 1."""
    power = total[:, None, :] * total[None, :, :]
    return np.minimum(np.abs(matrix) ** 2 / np.maximum(power, _TINY), 1.0)


def build_kernel(signal: SignalSpectra, matrix: ComplexArray, chosen: BoolArray, high_hz: float = HIGH_HZ) -> Kernel:
    """Kernel of the mics `chosen` (M) from `matrix` (the signal's whole matrix or one half of it).

    A band counts only where at least two of the chosen mics hold signal; each such band counts the same.
    """
    slices = band_slices(signal.freqs_hz, signal.bands)
    use = signal.mask & chosen[:, None]
    magnitude = np.sqrt(np.real(np.einsum("mmf->mf", signal.matrix)))
    weights = np.zeros(len(signal.bands))
    limit = np.zeros(len(signal.bands))
    scaled = np.zeros_like(matrix)
    for b, (band, part) in enumerate(zip(signal.bands, slices, strict=True)):
        limit[b] = float(((use[:, b, None] * magnitude[:, part]).sum(axis=0) ** 2).sum())
        if use[:, b].sum() >= 2 and limit[b] > 0.0 and band.centre_hz <= high_hz * 1.02:
            weights[b] = 1.0
    if weights.any():
        weights /= weights.sum()
    for b, part in enumerate(slices):
        if weights[b] > 0.0:
            gate = np.outer(use[:, b], use[:, b])
            scaled[:, :, part] = matrix[:, :, part] * (weights[b] / limit[b]) * gate[:, :, None]
    return Kernel(signal.mics, signal.freqs_hz, scaled, weights, limit, slices)


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
