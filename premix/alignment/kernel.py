"""The sum efficiency: from cross-spectra to a kernel, and the kernel's value for given delays and polarities.

Noise is taken out, bands without signal are masked, and each third octave that is left weighs the same. The kernel K
(M, M, F) of a performance is scaled so that
    efficiency(p, d) = Re sum over m, n, f of p_m p_n K[m, n, f] e^{+j 2 pi f (d_m - d_n)}
is the mean over third-octave bands of |aligned sum|^2 / (sum of magnitudes)^2: 1, or 0 dB, is every band of every mic
in phase, the physical limit.
"""

from dataclasses import dataclass

import numpy as np

from premix.arrays import BoolArray, ComplexArray, FloatArray, IndexArray
from premix.audio.bands import Band, band_slices, third_octave_bands
from premix.model.alignment import BandEfficiency, Efficiency
from premix.model.tracks import Spectra
from premix.units import power_to_db

LOW_HZ, HIGH_HZ, WIDE_HIGH_HZ = 40.0, 6_300.0, 10_000.0
SUB_BAND_HZ = (40.0, 250.0)
"""A sub mic is judged here alone: above, its band-pass skirt turns the phase."""
MIN_QUIET_FRAMES = 12
"""Quiet frames from which the noise can be told from the stops, 4 s. What fewer say of it is as often wrong as right:
a drum that rings in two of them, a chord that dies away."""
MIN_SIGNAL_TO_NOISE = 0.5
"""Power ratio below which a band of a mic holds noise only."""
MIN_LEVEL_DB = -50.0
"""Level of a band below the mic's strongest one under which it holds leakage of the analysis window only."""
HANN_BINS = 1.5
"""Noise bandwidth of a Hann window in bins (Harris, Proc. IEEE 66(1), 1978): so many neighbours say the same."""
MIN_SHARED = 0.02
"""Part of what the partners share most, below which something common to them may as well be chance."""
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class SignalSpectra:
    """Cross-spectra of what the mics share with the guitar, per active frame, in the recipe's filters and gains.

    partners: the A mics that every mic is compared with; with up to eight mics all of them.
    slices: the bins of each of the B bands. matrix: (M, A, F), noise of the stops taken out.
    spectra, responses: what it was made from, and the (M, F) gain of each mic.
    power: (M, F) of every mic, the noise taken out, >= 0; total: with it. frames: independent frames behind `matrix`.
    present: (M, B) bands in which a mic stands out of its own noise. mask: (M, B) those of them in which it shares
    something with another mic: these carry weight.
    """

    mics: tuple[str, ...]
    rate: int
    freqs_hz: FloatArray
    bands: tuple[Band, ...]
    slices: tuple[slice, ...]
    partners: IndexArray
    matrix: ComplexArray
    spectra: Spectra
    responses: ComplexArray
    power: FloatArray
    total: FloatArray
    frames: float
    present: BoolArray
    mask: BoolArray

    @property
    def omega(self) -> FloatArray:
        """(F) radians a sample."""
        return 2.0 * np.pi * self.freqs_hz / self.rate

    @property
    def stretches(self) -> float:
        """Frames whose bins, all taken as independent, know as much as the active frames do."""
        return sum(self.spectra.n_active) * min(1.0 / HANN_BINS, self.spectra.hop / self.spectra.frame)

    @property
    def chance(self) -> float:
        """Coherence that unrelated audio shows."""
        return 1.0 / max(self.frames, 2.0)

    @property
    def core(self) -> ComplexArray:
        """(A, A, F) the partners among themselves."""
        return self.matrix if len(self.partners) == len(self.mics) else self.matrix[self.partners]

    def halves(self, m: int) -> ComplexArray:
        """(2, A, F) the row of mic m in `matrix`, from each half of the frames."""
        spectra, pair = self.spectra, self.responses[m] * self.responses[self.partners].conj()
        counts = np.maximum(np.array(spectra.n_active, np.float64), 1.0)
        halves: ComplexArray = spectra.kept_active[:, m] / counts[:, None, None] * pair
        if spectra.n_quiet >= MIN_QUIET_FRAMES:
            halves -= spectra.kept_quiet[m] / spectra.n_quiet * pair
        return halves

    def column(self, m: int) -> int | None:
        """Where mic m stands among the partners, None where it is none."""
        return next(iter(np.flatnonzero(self.partners == m).tolist()), None)


def signal_spectra(spectra: Spectra, rate: int, responses: ComplexArray, is_sub: BoolArray) -> SignalSpectra:
    """Take the noise out of `spectra` and find the bands that hold signal.

    responses: (M, F) complex gain of each mic before the sum (gain and filters of the recipe; 1 for none).
    is_sub: (M). Noise that is the same in riff and stops (hiss, hum, its lines included) is subtracted when
    enough quiet frames were seen; without stops, the coherence between mics decides alone.
    """
    bands = third_octave_bands(LOW_HZ, WIDE_HIGH_HZ)
    slices = band_slices(spectra.freqs_hz, bands)
    partners = np.array(spectra.partners, np.int64)
    pair = responses[:, None, :] * responses[None, partners, :].conj()
    own = np.real(responses * responses.conj())
    both = spectra.active.sum(axis=0) / max(1, sum(spectra.n_active)) * pair
    power = total = spectra.active_powers.sum(axis=0) / max(1, sum(spectra.n_active)) * own
    level = _band_sums(total, slices)
    present = level > level.max(axis=1, keepdims=True) * 10.0 ** (MIN_LEVEL_DB / 10.0)
    if spectra.n_quiet >= MIN_QUIET_FRAMES:
        noise, noise_power = spectra.quiet / spectra.n_quiet * pair, spectra.quiet_powers / spectra.n_quiet * own
        both -= noise
        power = np.maximum(total - noise_power, 0.0)
        noise_level = _band_sums(noise_power, slices)
        present = level - noise_level > MIN_SIGNAL_TO_NOISE * noise_level
    for a, m in enumerate(partners):
        both[m, a] = np.maximum(np.real(both[m, a]), 0.0)
    frames = sum(spectra.n_active) * min(1.0, 1.9 * spectra.hop / spectra.frame)
    below, above = SUB_BAND_HZ[0] * 0.98, SUB_BAND_HZ[1] * 1.02
    foreign = np.array([not below <= band.centre_hz <= above for band in bands])
    present[np.ix_(is_sub, foreign)] = False
    mask = present & _shared(both, partners, total, frames, slices)
    return SignalSpectra(
        spectra.mics,
        rate,
        spectra.freqs_hz,
        bands,
        slices,
        partners,
        both,
        spectra,
        responses,
        power,
        total,
        frames,
        present,
        mask,
    )


def _band_sums(values: FloatArray, slices: tuple[slice, ...]) -> FloatArray:
    """(M, B) sums of (M, F)."""
    return np.stack([values[:, part].sum(axis=1) for part in slices], axis=1)


def _shared(
    matrix: ComplexArray, partners: IndexArray, total: FloatArray, frames: float, slices: tuple[slice, ...]
) -> BoolArray:
    """(M, B) bands in which the coherence of a mic with any of its partners is above chance."""
    shared = np.zeros((len(total), len(slices)), np.bool_)
    chance = 1.0 / max(frames, 1.0)
    for b, part in enumerate(slices):
        if part.stop > part.start:
            power = total[:, None, part] * total[None, partners, part]
            squares = np.abs(matrix[:, :, part]) ** 2
            coherence = np.minimum(squares / np.maximum(power, _TINY), 1.0).mean(axis=2)
            coherence[partners, np.arange(len(partners))] = 0.0
            threshold = chance * (1.0 + 4.0 / np.sqrt(max((part.stop - part.start) / 1.5, 1.0)))
            shared[:, b] = coherence.max(axis=1, initial=0.0) > threshold
    return shared


@dataclass(frozen=True, slots=True)
class Kernel:
    """The scaled kernel K of one performance, made row by row as it is asked for.

    scale: (F) and use: (M, F) of 1 or 0: K[m, n] = matrix[m, n] * scale * use[m] * use[n]. weights: (B) of each band
    in the mean, they sum to 1 (or are all 0). others: the mics that are nobody's partners, None where there are none.
    """

    signal: SignalSpectra
    scale: FloatArray
    use: FloatArray
    weights: FloatArray
    others: "_Others | None"

    @property
    def freqs_hz(self) -> FloatArray:
        return self.signal.freqs_hz

    @property
    def slices(self) -> tuple[slice, ...]:
        return self.signal.slices

    @property
    def mics(self) -> int:
        """M."""
        return len(self.signal.mics)

    @property
    def partners(self) -> IndexArray:
        """(A) the mics that have columns in the matrix."""
        return self.signal.partners

    @property
    def matrix(self) -> ComplexArray:
        """(M, A, F), the whole of it."""
        return np.stack([self.row(m) for m in range(self.mics)])

    def row(self, m: int) -> ComplexArray:
        """(A, F) mic m with its partners."""
        row: ComplexArray = self.signal.matrix[m] * (self.scale * self.use[m]) * self.use[self.partners]
        return row

    def own(self, m: int) -> FloatArray:
        """(F) mic m with itself."""
        power: FloatArray = self.signal.power[m] * (self.scale * self.use[m])
        return power

    def against(self, m: int, turned: ComplexArray) -> ComplexArray:
        """(F) mic m against the sum of its partners with phase terms (M, F), itself among them where it is one."""
        cross: ComplexArray = np.einsum("nf,nf->f", self.row(m), turned[self.partners])
        return cross

    def energy(self, turned: ComplexArray) -> FloatArray:
        """(F) energy of the sum of all mics with phase terms (M, F), of magnitude 1 or 0."""
        energy: FloatArray = np.real(sum(turned[m].conj() * self.against(m, turned) for m in self.partners))
        return energy if self.others is None else energy + self.scale * self.others.energy(turned, self)


@dataclass(frozen=True, slots=True)
class _Others:
    """What mics that were not compared with each other share, told by what each shares with the partners.

    S = C W^-1 C^H, the completion of Williams & Seeger, NIPS 13, 2000: exact where the partners hear all that is
    common (one guitar, a few speakers). mics: those that are nobody's partners. inverse: (F, A, A) of the partners
    among themselves. explained: (M, F) power of each mic that the partners account for.
    """

    mics: IndexArray
    inverse: ComplexArray
    explained: FloatArray

    @classmethod
    def of(cls, signal: SignalSpectra) -> "_Others | None":
        mics = np.setdiff1d(np.arange(len(signal.mics)), signal.partners)
        if not mics.size:
            return None
        size = np.sqrt(np.maximum(signal.power[signal.partners], _TINY))
        core = np.moveaxis(signal.core / (size[:, None] * size[None, :]), -1, 0)
        inverse = np.linalg.pinv(core, rcond=MIN_SHARED, hermitian=True)
        inverse /= np.moveaxis(size[:, None] * size[None, :], -1, 0)
        explained = np.zeros(signal.power.shape)
        for m in mics:
            shared = signal.matrix[m].T
            explained[m] = np.real(np.einsum("fa,fa->f", np.einsum("fa,fab->fb", shared, inverse), shared.conj()))
        return cls(mics, inverse, explained)

    def energy(self, turned: ComplexArray, kernel: Kernel) -> FloatArray:
        """(F) what these mics add to the energy of the sum, unscaled."""
        signal, partners = kernel.signal, kernel.partners
        own, shared = np.zeros(len(kernel.freqs_hz)), np.zeros((len(partners), len(kernel.freqs_hz)), np.complex128)
        for m in self.mics:
            term = kernel.use[m] * turned[m].conj()
            own += np.abs(term) ** 2 * (signal.power[m] - self.explained[m])
            shared += term * signal.matrix[m]
        together = np.einsum("fb,bf->f", np.einsum("af,fab->fb", shared, self.inverse), shared.conj())
        with_partners = np.einsum("af,af->f", shared, turned[partners] * kernel.use[partners])
        total: FloatArray = own + np.real(together) + 2.0 * np.real(with_partners)
        return total


def build_kernel(signal: SignalSpectra, chosen: BoolArray, high_hz: float = HIGH_HZ) -> Kernel:
    """Kernel of the mics `chosen` (M).

    A band counts only where at least two of the chosen mics hold signal; each such band counts the same.
    """
    use = signal.mask & chosen[:, None]
    magnitude = np.sqrt(signal.power)
    limits = np.array(
        [((use[:, b, None] * magnitude[:, part]).sum(axis=0) ** 2).sum() for b, part in enumerate(signal.slices)]
    )
    centres_hz = np.array([band.centre_hz for band in signal.bands])
    weights = ((use.sum(axis=0) >= 2) & (limits > 0.0) & (centres_hz <= high_hz * 1.02)).astype(np.float64)
    weights /= max(1.0, weights.sum())
    scale, used = np.zeros(len(signal.freqs_hz)), np.zeros(signal.power.shape)
    for b in np.flatnonzero(weights):
        scale[signal.slices[b]] = weights[b] / limits[b]
        used[:, signal.slices[b]] = use[:, b, None]
    return Kernel(signal, scale, used, weights, _Others.of(signal))


def phase_terms(
    freqs_hz: FloatArray, rate: int, delays: FloatArray, signs: FloatArray, responses: ComplexArray | None = None
) -> ComplexArray:
    """(M, F) conj of p e^{+j 2 pi f d} H of each mic: delays (M) in samples, signs (M), responses (M, F) or none."""
    turned: ComplexArray = signs[:, None] * np.exp(-2j * np.pi * freqs_hz / rate * delays[:, None])
    return turned if responses is None else turned * responses.conj()


def band_energies(kernel: Kernel, turned: ComplexArray) -> FloatArray:
    """(B) energy of the sum in each band against its limit, 0 to 1; 0 in bands without weight."""
    summed = kernel.energy(turned)
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
