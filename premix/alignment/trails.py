"""Every mic followed through the song: its delay, polarity and level against the aligned rest, stretch by stretch.

A mic's transfer function against the rest does not depend on the notes (Cohen, "Relative transfer function
identification using speech signals", IEEE Trans. Speech and Audio Processing 12(5), 2004). So each stretch is compared
with the mic's own mean over the song, every bin weighed by C/(1-C) of its coherence C (Knapp & Carter 1976), and what is
left is what has changed. All mics may move: where one did, it is put right in that stretch before the others are asked,
and what most of the mics share is not theirs but the one that stands alone.
"""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from premix.alignment.case import Case, mic_responses
from premix.alignment.kernel import HIGH_HZ, MIN_QUIET_FRAMES, phase_terms
from premix.alignment.rotation import rotation_response
from premix.analysis.spectra import ACTIVE_DB
from premix.arrays import BoolArray, ComplexArray, FloatArray
from premix.audio.bands import band_slices
from premix.model.alignment import MicDecision
from premix.model.tracks import Spectra, Windows

STRETCH_S = 2.0
"""Riff in a stretch."""
CHUNK_BYTES = 24_000_000
"""Cross-spectra in hand at once, whatever the length of the song."""
MAX_COHERENCE = 0.98
FAR = 1.05
"""A far peak of the correlation must be this much higher than where the mic is believed to be."""
NEAR_SAMPLES = 3.0
"""Within this a mic's delay is refined rather than looked for."""
MOST_S = 0.020
"""Changes of the delay are looked for up to this."""
ROUNDS, SWEEPS = 3, 2
SAME_SAMPLES, SAME_SHARE = 0.05, 0.25
"""Mics whose delays change by the same, this exactly, or within this share of how far the mics go apart, changed
together: while something changes inside a stretch all of them are uncertain."""
EXACT = 10.0
"""Mics that are less exact than the most exact one by this have no say in that: a sub mic agrees with anybody."""
USUAL_FIT = 0.9
"""Share of its usual likeness under which a mic is unlike itself."""
LOST_DB = 10.0
"""A mic this far below its usual level is gone, and no measure for the others."""
MIN_FIT = 0.35
"""Likeness to the mic's mean (1: the same) from which a stretch tells something."""
MIN_SHARED = 0.05
"""Coherence with the rest, averaged over the mic's bands, from which it is heard at all."""
MIN_BAND = 1e-5
"""Power of a third octave, against the strongest of the stretch, from which it counts."""
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class Stretch:
    """Some windows in a row that hold riff; from_s, to_s: on the song's time line; frames: all that were added."""

    windows: tuple[int, ...]
    from_s: float
    to_s: float
    frames: int

    @property
    def middle_s(self) -> float:
        return 0.5 * (self.from_s + self.to_s)


@dataclass(slots=True)
class Trails:
    """Of one performance, S stretches and M mics in the order of its case.

    delays: (S, M) samples on top of the decision's delay; signs: (S, M) 1 or -1 against its polarity; fits: (S, M)
    likeness to the mic's mean, 0 to 1; spreads: (S, M) standard deviation in samples that the coherence explains;
    levels_db: (S, M) mean over the mic's bands of its level against what the mics have in common there, on top of its
    median over the song; alive: (S, M) whether the mic shares anything with the rest there. certain: (S) whether no mic
    changes inside. efficiencies_db: (S) sum efficiency of the mics as they are decided. means: (M, F) each mic's phase
    against the rest over the song, where it was put right. responses: (M, F) of each mic before the sum, its delay and
    polarity left out. freqs_hz: (F).
    """

    stretches: tuple[Stretch, ...]
    delays: FloatArray
    signs: npt.NDArray[np.int64]
    fits: FloatArray
    spreads: FloatArray
    levels_db: FloatArray
    alive: BoolArray
    certain: BoolArray
    efficiencies_db: FloatArray
    means: ComplexArray
    responses: ComplexArray
    freqs_hz: FloatArray


def stretches_of(windows: Windows) -> tuple[Stretch, ...]:
    """Windows that hold riff, put together until they hold STRETCH_S of it."""
    riff = windows.levels_db >= windows.loud_db - ACTIVE_DB
    per = windows.window_frames
    found: list[Stretch] = []
    taken: list[int] = []
    count = 0
    for window in range(windows.count):
        own = int(np.count_nonzero(riff[window * per : (window + 1) * per]))
        if own:
            taken.append(window)
            count += own
        if count * windows.frame_s >= STRETCH_S:
            found.append(_stretch(windows, taken))
            taken, count = [], 0
    if taken and (count * windows.frame_s >= 0.5 * STRETCH_S or not found):
        found.append(_stretch(windows, taken))
    elif taken:
        found[-1] = _stretch(windows, [*found[-1].windows, *taken])
    return tuple(found)


def _stretch(windows: Windows, taken: Sequence[int]) -> Stretch:
    per = windows.window_frames
    frames = sum(len(windows.levels_db[w * per : (w + 1) * per]) for w in taken)
    first, last = windows.start_s + taken[0] * windows.window_s, windows.start_s + (taken[-1] + 1) * windows.window_s
    return Stretch(tuple(taken), first, last, frames)


class _Followed:
    """One performance: what turns its windows into aligned cross-spectra, and who makes up the rest."""

    def __init__(
        self, case: Case, spectra: Spectra, windows: Windows, decisions: Sequence[MicDecision], gone: Sequence[int]
    ) -> None:
        self.windows, self.rate = windows, case.signal.rate
        self.freqs_hz = windows.freqs_hz
        self.omega = 2.0 * np.pi * self.freqs_hz / self.rate
        self.mics = len(case.mics)
        self.reference = case.index(decisions[0].reference) if decisions else None
        self.in_sum = np.array([d.summed and d.role != "room" and d.refusal is None for d in decisions])
        self.summed = self.in_sum.copy()
        if self.in_sum.sum() > len(gone):
            self.in_sum[list(gone)] = False
        responses = mic_responses(case.mics, self.freqs_hz, self.rate)
        for m, decision in enumerate(decisions):
            if decision.rotation is not None:
                responses[m] *= rotation_response(decision.rotation, self.freqs_hz, self.rate)
        delays = np.array([d.delay_samples for d in decisions]) - np.array(case.offsets, np.float64)
        signs = np.array([float(d.polarity) for d in decisions])
        self.responses = responses
        self._turn = phase_terms(self.freqs_hz, self.rate, delays, signs).conj() * responses
        self.slices = band_slices(self.freqs_hz, case.signal.bands)
        shared = case.signal.mask.any(axis=1, keepdims=True)
        filled = np.array([part.stop > part.start for part in self.slices])
        self.counted = [band.centre_hz <= HIGH_HZ * 1.02 for band in case.signal.bands]
        self.bands = np.where(shared, case.signal.mask, case.signal.present) & filled
        self.mask = np.zeros((self.mics, len(self.freqs_hz)), np.bool_)
        for m, b in zip(*np.nonzero(self.bands), strict=True):
            self.mask[m, self.slices[b]] = True
        self.partners = list(spectra.partners)
        self._noise: ComplexArray | None = None
        if spectra.n_quiet >= MIN_QUIET_FRAMES:
            self._noise = self._merged(spectra.quiet) / spectra.n_quiet
            self._noise_power = self._merged(spectra.quiet_powers) / spectra.n_quiet

    def _merged(self, sums: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """(..., F) sums of the frames' bins in the windows' bins."""
        wide = len(self.freqs_hz) * self.windows.merged
        return np.asarray(sums[..., :wide].reshape(*sums.shape[:-1], -1, self.windows.merged).sum(axis=-1))

    def chunks(self, stretches: Sequence[Stretch]) -> Iterator[slice]:
        """The stretches, so many at a time as may be in hand."""
        size = max(1, CHUNK_BYTES // (16 * self.mics * len(self.partners) * len(self.freqs_hz)))
        for start in range(0, len(stretches), size):
            yield slice(start, min(len(stretches), start + size))

    def aligned(self, stretch: Stretch) -> tuple[ComplexArray, FloatArray]:
        """Cross-spectra (M, A, F) of a stretch with the partners and powers (M, F), noise taken out, the mics as they
        were decided."""
        matrix = np.zeros((self.mics, len(self.partners), len(self.freqs_hz)), np.complex128)
        power = np.zeros((self.mics, len(self.freqs_hz)))
        column = {n: a for a, n in enumerate(self.partners)}
        first = stretch.windows[0]
        read = self.windows.read(first, stretch.windows[-1] + 1)
        packed = read[[w - first for w in stretch.windows]].sum(axis=0)
        for row, (m, n) in enumerate(self.windows.pairs):
            if m == n:
                power[m] = packed[row].real
            if n in column:
                matrix[m, column[n]] = packed[row]
            if m in column:
                matrix[n, column[m]] = packed[row].conj()
        if self._noise is not None:
            matrix -= stretch.frames * self._noise
            power = np.maximum(power - stretch.frames * self._noise_power, 0.0)
        for a, m in enumerate(self.partners):
            matrix[m, a] = power[m]
        matrix *= self._turn[:, None] * self._turn[None, self.partners].conj()
        return matrix, power * np.abs(self._turn) ** 2


def follow(
    case: Case, spectra: Spectra, windows: Windows, decisions: Sequence[MicDecision], gone: Sequence[int] = ()
) -> Trails:
    """Follow every mic of one performance through its windows, against the others as they are decided.

    gone: mics that are not always there, so that nobody is held against them.
    """
    followed = _Followed(case, spectra, windows, decisions, gone)
    stretches = stretches_of(windows)
    shape = (len(stretches), followed.mics)
    means = np.ones((followed.mics, len(followed.freqs_hz)), np.complex128)
    trails = Trails(
        stretches,
        np.zeros(shape),
        np.ones(shape, np.int64),
        np.zeros(shape),
        np.full(shape, np.inf),
        np.zeros(shape),
        np.zeros(shape, np.bool_),
        np.ones(len(stretches), np.bool_),
        np.zeros(len(stretches)),
        means,
        followed.responses,
        followed.freqs_hz,
    )
    powers_db = np.zeros((*shape, len(followed.slices)))
    chunks = list(followed.chunks(stretches))
    kept: _Chunk | None = None
    for round_ in range(ROUNDS):
        sums = np.zeros_like(means)
        for part in chunks:
            chunk = kept or _Chunk(followed, trails, part)
            if round_ == 0:
                trails.efficiencies_db[part] = chunk.efficiencies_db()
                powers_db[part] = chunk.powers_db()
            chunk.run(means, wide=round_ == 0)
            chunk.tell(means, sums)
            kept = chunk if len(chunks) == 1 else None
        size = np.abs(sums)
        means[:] = np.where(size > 0.0, sums / np.maximum(size, _TINY), 1.0)
    trails.levels_db[:] = _levels(powers_db, followed)
    trails.certain[:] = _certain(trails, followed)
    _stand(trails, followed)
    return trails


def _certain(trails: Trails, followed: _Followed) -> BoolArray:
    """(S) stretches in which no mic of the sum is unlike itself: where one changes inside, all are uncertain."""
    rows = [m for m in np.flatnonzero(followed.in_sum).tolist() if trails.alive[:, m].any()]
    certain = np.ones(len(trails.stretches), np.bool_)
    for m in rows:
        usual = float(np.median(trails.fits[trails.alive[:, m], m]))
        certain &= (trails.fits[:, m] >= USUAL_FIT * usual) | (trails.levels_db[:, m] < -LOST_DB)
    return certain if certain.sum() >= 2 else np.ones_like(certain)


def _stand(trails: Trails, followed: _Followed) -> None:
    """From one stretch to the next, what most mics of the sum share is nobody's change: it is taken from all.

    Of two equal parts the one with the reference stands.
    """
    rows = np.flatnonzero(followed.in_sum)
    sure = np.flatnonzero(trails.certain).tolist()
    for last, s in itertools.pairwise(sure):
        noise = np.minimum(np.hypot(trails.spreads[s], trails.spreads[last]), 1e3)
        live = [m for m in rows.tolist() if trails.alive[s, m] and trails.alive[last, m]] or rows.tolist()
        live = [m for m in live if noise[m] <= EXACT * noise[live].min()]
        step = trails.delays[s] - trails.delays[last]
        turn = trails.signs[s] * trails.signs[last]
        alike = max(SAME_SAMPLES, SAME_SHARE * float(np.ptp(step[live])))
        near = [[n for n in live if abs(step[n] - step[m]) <= alike + 4.0 * np.hypot(noise[n], noise[m])] for m in live]
        most = max(near, key=lambda group: (len(group), followed.reference in group), default=[])
        if most:
            weight = 1.0 / (1e-3 + noise[most]) ** 2
            trails.delays[s:] -= float(np.dot(step[most], weight) / weight.sum())
        same = max((1, -1), key=lambda sign: (sum(turn[m] == sign for m in live), _is(turn, followed.reference, sign)))
        if same < 0:
            trails.signs[s:] *= -1


def _is(turn: npt.NDArray[np.int64], m: int | None, sign: int) -> bool:
    return m is not None and turn[m] == sign


def _levels(powers_db: FloatArray, followed: _Followed) -> FloatArray:
    """(S, M) mean over each mic's bands of its level (S, M, B) in dB, without what the mics of the sum have in common.

    Of two mics the reference is the measure.
    """
    own = powers_db - np.median(powers_db, axis=0)
    rows = np.flatnonzero(followed.in_sum).tolist()
    if len(rows) == 2 and followed.reference in rows:
        rows = [followed.reference]
    common = np.median(own[:, rows], axis=1, keepdims=True) if rows else 0.0
    used = followed.bands
    return np.asarray(((own - common) * used).sum(axis=2) / np.maximum(used.sum(axis=1), 1))


class _Chunk:
    """Some stretches in hand: their cross-spectra with every mic where it is believed to be."""

    def __init__(self, followed: _Followed, trails: Trails, part: slice) -> None:
        self._f, self._trails, self._part = followed, trails, part
        aligned = [followed.aligned(stretch) for stretch in trails.stretches[part]]
        self._matrix, self._own = (np.stack(each) for each in zip(*aligned, strict=True))
        self._columns = [a for a, n in enumerate(followed.partners) if followed.in_sum[n]]
        self._frames = np.array([s.frames for s in trails.stretches[part]], np.float64)
        for m in range(followed.mics):
            self._turn(m, trails.delays[part, m], trails.signs[part, m])

    def _turn(self, m: int, shift: FloatArray, sign: npt.NDArray[np.int64]) -> None:
        """Advance mic m by `shift` (s) and multiply it by `sign` (s)."""
        if shift.any() or (sign < 0).any():
            turn = sign[:, None] * np.exp(1j * shift[:, None] * self._f.omega)
            self._matrix[:, m] *= turn[:, None]
            if m in self._f.partners:
                self._matrix[:, :, self._f.partners.index(m)] *= turn.conj()[:, None]

    def efficiencies_db(self) -> FloatArray:
        """(s) sum efficiency as decided, of the mics in the sum, or of the partners among them where they are more: the
        mean over the third octaves that hold signal."""
        f = self._f
        energies, weights = np.zeros(len(self._own)), np.zeros(len(self._own))
        size = np.sqrt(self._own)
        strongest = np.stack([self._own[:, :, part].sum(axis=2) for part in f.slices], axis=2).max(axis=(1, 2))
        for b, part in enumerate(f.slices):
            columns = [a for a, n in enumerate(f.partners) if f.summed[n] and f.bands[n, b]]
            used = [f.partners[a] for a in columns]
            if len(used) < 2 or not f.counted[b]:
                continue
            block = self._matrix[:, used][:, :, columns, part]
            limit = (size[:, used, part].sum(axis=1) ** 2).sum(axis=1)
            weight = (self._own[:, used, part].sum(axis=(1, 2)) > strongest * MIN_BAND).astype(np.float64)
            energies += weight * block.real.sum(axis=(1, 2, 3)) / np.maximum(limit, _TINY)
            weights += weight
        mean = np.where(weights > 0.0, energies / np.maximum(weights, 1.0), 1.0)
        return np.asarray(10.0 * np.log10(np.maximum(mean, 1e-12)))

    def powers_db(self) -> FloatArray:
        """(s, M, B) power of each mic by third octave in dB."""
        sums = np.stack([self._own[:, :, part].sum(axis=2) for part in self._f.slices], axis=2)
        return np.asarray(10.0 * np.log10(np.maximum(sums, 1e-20)))

    def run(self, means: ComplexArray, *, wide: bool) -> None:
        """Sweep over the mics, the one least like itself first; of two mics the reference is the one that stays."""
        order = sorted(range(self._f.mics), key=lambda m: (not self._f.in_sum[m], self._likeness(m, means)))
        if np.count_nonzero(self._f.in_sum) == 2:
            order = [m for m in order if m != self._f.reference]
        for sweep in range(SWEEPS):
            for m in order:
                self._one(m, means, wide=wide and sweep == 0)

    def _against(self, m: int, means: ComplexArray) -> tuple[ComplexArray, FloatArray]:
        """(s, F) unit phase of mic m against the rest on top of its mean, and coherence."""
        columns = [a for a in self._columns if self._f.partners[a] != m]
        rest = [self._f.partners[a] for a in columns]
        cross = self._matrix[:, m, columns].sum(axis=1)
        total = self._matrix[:, rest][:, :, columns].real.sum(axis=(1, 2))
        own = self._own[:, m]
        size = np.abs(cross)
        coherence = size**2 / np.maximum(own * np.maximum(total, 0.0), _TINY)
        chance = 1.0 / (self._frames * self._f.windows.merged * 0.7)[:, None]
        coherence = np.clip((coherence - chance) / (1.0 - chance), 0.0, MAX_COHERENCE) * self._f.mask[m]
        coherence[own <= 1e-7 * own.max(axis=1, keepdims=True)] = 0.0
        return cross / np.maximum(size, _TINY) * means[m].conj(), coherence

    def _likeness(self, m: int, means: ComplexArray) -> float:
        unit, coherence = self._against(m, means)
        weight = _weight(coherence)
        total = float(weight.sum())
        return float((unit.real * weight).sum()) / total if total > 0.0 else 0.0

    def _one(self, m: int, means: ComplexArray, *, wide: bool) -> None:
        """Put mic m right in each stretch."""
        unit, coherence = self._against(m, means)
        weight = _weight(coherence)
        total = weight.sum(axis=1)
        usable = total > 0.0
        shift, sign = np.zeros(len(total)), np.ones(len(total), np.int64)
        if wide:
            shift, sign = self._far(unit * weight, (unit.real * weight).sum(axis=1))
        shift = np.where(usable, self._refined(unit * sign[:, None], weight, shift), 0.0)
        sign = np.where(usable, sign, 1)
        self._turn(m, shift, sign)
        self._trails.delays[self._part, m] += shift
        self._trails.signs[self._part, m] *= sign

    def _far(self, cross: ComplexArray, near: FloatArray) -> tuple[FloatArray, npt.NDArray[np.int64]]:
        """(s) shift and sign of the highest peak, where it is clearly higher than here."""
        step_hz = float(self._f.freqs_hz[1] - self._f.freqs_hz[0])
        first = int(self._f.freqs_hz[0] / step_hz)
        size = 1 << int(np.ceil(np.log2(4 * (first + cross.shape[1]))))
        spectrum = np.zeros((len(cross), size // 2 + 1), np.complex128)
        spectrum[:, first : first + cross.shape[1]] = cross
        # The bins' middles lie off the grid by less than one: a phase that is the same for all lags near zero.
        lags = np.arange(size)
        lags = np.where(lags < size // 2, lags, lags - size)
        off = 2.0 * np.pi * (float(self._f.freqs_hz[0]) - first * step_hz) / (size * step_hz)
        curve = np.fft.ifft(np.concatenate([spectrum, np.zeros((len(cross), size // 2 - 1))], axis=1), axis=1) * size
        curve = (curve * np.exp(1j * off * lags)).real
        samples = lags * (self._f.rate / (size * step_hz))
        curve[:, np.abs(samples) > MOST_S * self._f.rate] = 0.0
        best = np.argmax(np.abs(curve), axis=1)
        height = curve[np.arange(len(curve)), best]
        far = np.abs(height) > FAR * np.maximum(near, 0.0)
        return np.where(far, samples[best], 0.0), np.where(far & (height < 0.0), -1, 1)

    def _refined(self, unit: ComplexArray, weight: FloatArray, shift: FloatArray) -> FloatArray:
        """(s) the shift at the top of the peak: Newton on the exact phases."""
        omega, start = self._f.omega, shift
        for _ in range(6):
            turned = unit * np.exp(1j * shift[:, None] * omega)
            slope = -(weight * omega * turned.imag).sum(axis=1)
            bend = (weight * omega**2 * turned.real).sum(axis=1)
            step = np.where(bend > 0.0, slope / np.maximum(bend, _TINY), 0.0)
            shift = np.clip(shift + np.clip(step, -1.0, 1.0), start - NEAR_SAMPLES, start + NEAR_SAMPLES)
        return np.asarray(np.where(np.abs(shift - start) < NEAR_SAMPLES, shift, start))

    def tell(self, means: ComplexArray, sums: ComplexArray) -> None:
        """Fits and spreads, and each mic's share of its next mean."""
        trails, part = self._trails, self._part
        frames = (self._frames * self._f.windows.merged)[:, None]
        for m in range(self._f.mics):
            unit, coherence = self._against(m, means)
            weight = _weight(coherence)
            total = np.maximum(weight.sum(axis=1), _TINY)
            trails.fits[part, m] = np.clip((unit.real * weight).sum(axis=1) / total, 0.0, 1.0)
            information = (2.0 * frames * self._f.omega**2 * weight).sum(axis=1)
            trails.spreads[part, m] = np.where(information > 0.0, 1.0 / np.sqrt(np.maximum(information, _TINY)), np.inf)
            shared = coherence.sum(axis=1) / max(1, int(self._f.mask[m].sum()))
            good = (trails.fits[part, m] >= MIN_FIT) & (shared > MIN_SHARED)
            trails.alive[part, m] = good
            sums[m] += (unit * means[m] * weight / total[:, None])[good].sum(axis=0)


def _weight(coherence: FloatArray) -> FloatArray:
    return np.asarray(coherence / (1.0 - coherence))
