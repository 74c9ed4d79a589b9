"""The sum efficiency: from cross-spectra to a kernel, and the kernel's value for given delays and polarities.

Noise is taken out, bands without signal are masked, and each third octave that is left weighs the same. The kernel K
(M, M, F) of a performance is scaled so that
    efficiency(p, d) = Re sum over m, n, f of p_m p_n K[m, n, f] e^{+j 2 pi f (d_m - d_n)}
is the mean over third-octave bands of |aligned sum|^2 / (sum of magnitudes)^2: 1, or 0 dB, is every band of every mic
in phase, the physical limit.
"""

from dataclasses import dataclass

import numpy as np

from premix.arrays import BoolArray, ComplexArray, FloatArray
from premix.audio.bands import Band, band_slices, third_octave_bands
from premix.model.alignment import BandEfficiency, Efficiency
from premix.model.tracks import Spectra
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

    slices: the bins of each of the B bands. matrix: (M, M, F), noise of the stops taken out, diagonal >= 0.
    halves: (2, M, M, F), the same by half. total: (M, F) power with the noise left in.
    frames: independent frames behind `matrix`.
    present: (M, B) bands in which a mic stands out of its own noise. mask: (M, B) those of them in which it shares
    something with another mic: these carry weight.
    """

    mics: tuple[str, ...]
    rate: int
    freqs_hz: FloatArray
    bands: tuple[Band, ...]
    slices: tuple[slice, ...]
    matrix: ComplexArray
    halves: ComplexArray
    total: FloatArray
    frames: float
    present: BoolArray
    mask: BoolArray

    @property
    def omega(self) -> FloatArray:
        """(F) radians a sample."""
        return 2.0 * np.pi * self.freqs_hz / self.rate

    @property
    def chance(self) -> float:
        """Coherence that unrelated audio shows."""
        return 1.0 / max(self.frames, 2.0)


def powers(matrix: ComplexArray) -> FloatArray:
    """(M, F) diagonal of a matrix (M, M, F), a view."""
    return np.real(np.einsum("mmf->mf", matrix))


def signal_spectra(spectra: Spectra, rate: int, responses: ComplexArray, is_sub: BoolArray) -> SignalSpectra:
    """Take the noise out of `spectra` and find the bands that hold signal.

    responses: (M, F) complex gain of each mic before the sum (gain and filters of the recipe; 1 for none).
    is_sub: (M). Noise that is the same in riff and stops (hiss, hum, its lines included) is subtracted when
    enough quiet frames were seen; without stops, the coherence between mics decides alone.
    """
    bands = third_octave_bands(LOW_HZ, WIDE_HIGH_HZ)
    slices = band_slices(spectra.freqs_hz, bands)
    pair = responses[:, None, :] * responses[None, :, :].conj()
    counts = np.maximum(np.array(spectra.n_active, np.float64), 1.0)
    halves = spectra.active / counts[:, None, None, None] * pair
    both = spectra.active.sum(axis=0) / max(1, sum(spectra.n_active)) * pair
    total = powers(both).copy()
    level = _band_sums(total, slices)
    present = level > level.max(axis=1, keepdims=True) * 10.0 ** (MIN_LEVEL_DB / 10.0)
    if spectra.n_quiet >= MIN_QUIET_FRAMES:
        noise = spectra.quiet / spectra.n_quiet * pair
        both, halves = both - noise, halves - noise
        noise_level = _band_sums(powers(noise), slices)
        present = level - noise_level > MIN_SIGNAL_TO_NOISE * noise_level
    for matrix in (both, *halves):
        np.einsum("mmf->mf", matrix)[:] = np.maximum(powers(matrix), 0.0)
    frames = sum(spectra.n_active) * min(1.0, 1.9 * spectra.hop / spectra.frame)
    below, above = SUB_BAND_HZ[0] * 0.98, SUB_BAND_HZ[1] * 1.02
    foreign = np.array([not below <= band.centre_hz <= above for band in bands])
    present[np.ix_(is_sub, foreign)] = False
    mask = present & _shared(both, total, frames, slices)
    return SignalSpectra(
        spectra.mics, rate, spectra.freqs_hz, bands, slices, both, halves, total, frames, present, mask
    )


def _band_sums(values: FloatArray, slices: tuple[slice, ...]) -> FloatArray:
    """(M, B) sums of (M, F)."""
    return np.stack([values[:, part].sum(axis=1) for part in slices], axis=1)


def _shared(matrix: ComplexArray, total: FloatArray, frames: float, slices: tuple[slice, ...]) -> BoolArray:
    """(M, B) bands in which the coherence of a mic with any other one is above chance."""
    shared = np.zeros((len(total), len(slices)), np.bool_)
    chance = 1.0 / max(frames, 1.0)
    for b, part in enumerate(slices):
        if part.stop > part.start:
            power = total[:, None, part] * total[None, :, part]
            squares = np.abs(matrix[:, :, part]) ** 2
            coherence = np.minimum(squares / np.maximum(power, _TINY), 1.0).mean(axis=2)
            np.fill_diagonal(coherence, 0.0)
            threshold = chance * (1.0 + 4.0 / np.sqrt(max((part.stop - part.start) / 1.5, 1.0)))
            shared[:, b] = coherence.max(axis=1, initial=0.0) > threshold
    return shared


@dataclass(frozen=True, slots=True)
class Kernel:
    """The scaled kernel of one performance; weights: (B) of each band in the mean, they sum to 1 (or are all 0)."""

    freqs_hz: FloatArray
    matrix: ComplexArray
    weights: FloatArray
    slices: tuple[slice, ...]


def build_kernel(signal: SignalSpectra, chosen: BoolArray, high_hz: float = HIGH_HZ) -> Kernel:
    """Kernel of the mics `chosen` (M).

    A band counts only where at least two of the chosen mics hold signal; each such band counts the same.
    """
    use = signal.mask & chosen[:, None]
    magnitude = np.sqrt(powers(signal.matrix))
    limits = np.array(
        [((use[:, b, None] * magnitude[:, part]).sum(axis=0) ** 2).sum() for b, part in enumerate(signal.slices)]
    )
    centres_hz = np.array([band.centre_hz for band in signal.bands])
    weights = ((use.sum(axis=0) >= 2) & (limits > 0.0) & (centres_hz <= high_hz * 1.02)).astype(np.float64)
    weights /= max(1.0, weights.sum())
    scaled = np.zeros_like(signal.matrix)
    for b in np.flatnonzero(weights):
        gate, part = np.outer(use[:, b], use[:, b]), signal.slices[b]
        scaled[:, :, part] = signal.matrix[:, :, part] * (weights[b] / limits[b]) * gate[:, :, None]
    return Kernel(signal.freqs_hz, scaled, weights, signal.slices)


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
    main, wide = (build_kernel(signal, chosen, high_hz) for high_hz in (HIGH_HZ, WIDE_HIGH_HZ))
    before_10k, after_10k = (band_energies(wide, turned) for turned in (before, after))
    bands = tuple(
        BandEfficiency(band.centre_hz, _db(before_10k[b]), _db(after_10k[b]), float(main.weights[b]))
        for b, band in enumerate(signal.bands)
        if wide.weights[b] > 0.0
    )
    without = []
    for m in np.flatnonzero(chosen).tolist():
        turned = after.copy()
        turned[m] = before[m]
        without.append((signal.mics[m], _mean_db(main, band_energies(main, turned))))
    return Efficiency(
        performance,
        _mean_db(main, band_energies(main, before)),
        _mean_db(main, band_energies(main, after)),
        _mean_db(wide, before_10k),
        _mean_db(wide, after_10k),
        bands,
        tuple(without),
    )


def _mean_db(kernel: Kernel, energies: FloatArray) -> float:
    """Weighted mean in dB; a performance with nothing to align is at the limit by definition."""
    return _db(float(np.dot(energies, kernel.weights))) if kernel.weights.any() else 0.0


def _db(energy: float) -> float:
    return power_to_db(max(1e-12, energy))
