"""Every mic followed through the song: its delay, polarity and level against the aligned rest, stretch by stretch.

A mic's transfer function against the rest does not depend on the notes (Cohen, "Relative transfer function
identification using speech signals", IEEE Trans. Speech and Audio Processing 12(5), 2004). So each stretch is compared
with the mic's own mean over the song, every bin weighed by C/(1-C) of its coherence C (Knapp & Carter 1976), and what
is left is what has changed. All mics may move: where one did, it is put right in that stretch before the others are
asked, and what most of the mics share is not theirs but the one that stands alone.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from premix.alignment.case import Case
from premix.alignment.mic_levels import LOST_DB, SILENCE, floors_db_of, relative_levels_db
from premix.alignment.stretches import OUTERMOST, Stretch, StretchSpectra, soft_stretches_of, stretches_of
from premix.arrays import BoolArray, ComplexArray, FloatArray
from premix.model.alignment import MicDecision
from premix.model.tracks import Spectra, Windows

MAX_COHERENCE = 0.98
FAR = 1.05
"""A far peak of the correlation must be this much higher than where the mic is believed to be."""
MOST_S = 0.020
"""Changes of the delay are looked for up to this."""
ROUNDS, SWEEPS = 3, 2
STEADY, SURE_FIT = 0.7, 0.8
"""A mic is steady at first sight that stays within this share of a change that counts, this like itself."""
MIN_CHANGE_S = {"close": 5e-6, "sub": 35e-6, "room": 60e-6}
"""Smallest change of the delay that counts, by role: 2 mm of path for a mic that hears the highs."""
SAME_SAMPLES, SAME_SHARE = 0.05, 0.25
"""Mics whose delays change by the same, this exactly, or within this share of how far the mics go apart, changed
together: while something changes inside a stretch all of them are uncertain."""
EXACT = 10.0
"""Mics that are less exact than the most exact one by this have no say in that: a sub mic agrees with anybody."""
ROUGH_SAMPLES, ROUGH_SHARE = 2.0, 0.3
"""How far a less exact mic errs at least, also in a share of how far the mics go apart."""
USUAL_FIT = 0.9
"""Share of its usual likeness under which a mic is unlike itself."""
ELSEWHERE_S = 0.5e-3
"""Mics that go as far apart as this in the same window at the song's end hear something else than the guitar."""
MIN_FIT = 0.35
"""Likeness to the mic's mean (1: the same) from which a stretch tells something."""
MIN_SHARED = 0.05
"""Coherence with the rest, averaged over the mic's bands, from which it is heard at all."""
MIN_BAND = 1e-5
"""Power of a third octave, against the strongest of the stretch, from which it counts."""
NOTHING = 1e-9
"""Share of a sum under which a mic adds nothing to it."""
_TINY = 1e-200


@dataclass(slots=True)
class Trails:
    """Of one performance, S stretches and M mics in the order of its case.

    delays: (S, M) samples on top of the decision's delay; signs: (S, M) 1 or -1 against its polarity; fits: (S, M)
    likeness to the mic's mean, 0 to 1; spreads: (S, M) standard deviation in samples that the coherence explains;
    levels_db: (S, M) mean over the mic's bands of its level against what the mics have in common there, on top of its
    median over the song; alive: (S, M) whether the mic shares anything with the rest there. certain: (S) whether no mic
    changes inside. efficiencies_db: (S) sum efficiency of the mics as they are decided. reached: (S, M) what each mic
    of the sum adds to the others as they are decided: 1 in phase with them, -1 against them. without_db: (S, M) sum
    efficiency of the others alone. means: (M, F) each mic's phase against the rest over the song, where it was put
    right. responses: (M, F) of each mic before the sum, its delay and polarity left out. freqs_hz: (F).
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
    reached: FloatArray
    without_db: FloatArray
    means: ComplexArray
    responses: ComplexArray
    freqs_hz: FloatArray


def follow(
    case: Case, spectra: Spectra, windows: Windows, decisions: Sequence[MicDecision], gone: Sequence[int] = ()
) -> Trails:
    """Follow every mic of one performance through its windows, against the others as they are decided.

    gone: mics that are not always there, so that nobody is held against them.
    """
    stretches = stretches_of(windows)
    if not gone:
        screened = _screened(StretchSpectra(case, spectra, windows, decisions), stretches, case)
        if screened is not None:
            return screened
    followed = StretchSpectra(case, spectra, windows, decisions, gone=gone)
    trails, powers_db = _blank(followed, stretches)
    means = trails.means
    chunks = list(followed.chunks(stretches))
    kept: _Chunk | None = None
    for round_ in range(ROUNDS):
        sums = np.zeros_like(means)
        for part in chunks:
            chunk = kept or _Chunk(followed, trails, part)
            if round_ == 0:
                chunk.tell_sums()
                powers_db[part] = chunk.powers_db()
            chunk.run(means, wide=round_ < ROUNDS - 1)
            chunk.tell(means, sums)
            kept = chunk if len(chunks) == 1 else None
        means[:] = _unit(sums)
    trails.levels_db[:] = relative_levels_db(powers_db, floors_db_of(followed, stretches), followed)
    trails.certain[:] = _certain(trails, followed)
    _stand(trails, followed)
    _mistrust_ends(trails, case)
    return trails


def follow_soft(
    case: Case, spectra: Spectra, windows: Windows, decisions: Sequence[MicDecision], known: Trails
) -> Trails | None:
    """What the mics reach, and how well each fits where it fits best, in passages that are too soft for trails to rest
    on; None where there are none. known: the trails of the song.

    The noise stays in: what the stops hold may be as loud as these.
    """
    stretches = soft_stretches_of(windows)
    if not stretches:
        return None
    followed = StretchSpectra(case, spectra, windows, decisions, noise=False)
    trails, _ = _blank(followed, stretches)
    for part in followed.chunks(stretches):
        chunk = _Chunk(followed, trails, part)
        chunk.tell_sums()
        chunk.run(known.means, wide=True)
        chunk.tell(known.means, np.zeros_like(known.means))
    return trails


def _blank(followed: StretchSpectra, stretches: tuple[Stretch, ...]) -> tuple[Trails, FloatArray]:
    """Trails in which nothing is known yet, and powers (S, M, B) to be filled in."""
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
        np.ones(shape),
        np.zeros(shape),
        means,
        followed.responses,
        followed.fine_hz,
    )
    return trails, np.zeros((*shape, len(followed.slices)))


def _screened(followed: StretchSpectra, stretches: tuple[Stretch, ...], case: Case) -> Trails | None:
    """The trails where nothing changes, for a fraction of the work: one look around where each mic is believed to be.

    None where a mic is anywhere unlike itself, or goes far enough for a change that counts.
    """
    trails, powers_db = _blank(followed, stretches)
    units: list[tuple[ComplexArray, FloatArray]] = []
    sums = np.zeros_like(trails.means)
    for part in followed.chunks(stretches):
        chunk = _Chunk(followed, trails, part)
        chunk.tell_sums()
        powers_db[part] = chunk.powers_db()
        units += [chunk.look(sums)]
    trails.means[:] = _unit(sums)
    for part, (unit, coherence) in zip(followed.chunks(stretches), units, strict=True):
        frames = np.array([stretch.frames for stretch in stretches[part]], np.float64)
        _look_again(trails, part, unit, coherence, frames * followed.merged, followed.omega, followed.mask)
    trails.levels_db[:] = relative_levels_db(powers_db, floors_db_of(followed, stretches), followed)
    for m, mic in enumerate(case.mics):
        least = STEADY * MIN_CHANGE_S[mic.role] * followed.rate
        off = np.abs(trails.delays[:, m] - np.median(trails.delays[:, m]))
        if not (trails.alive[:, m].all() and off.max() < least and trails.fits[:, m].min() > SURE_FIT):
            return None
    return trails


def _look_again(
    trails: Trails,
    part: slice,
    unit: ComplexArray,
    coherence: FloatArray,
    bins: FloatArray,
    omega: FloatArray,
    mask: BoolArray,
) -> None:
    """Fits, delays and spreads of some stretches from unit phases and coherences (M, s, F), by the means."""
    for m in range(len(unit)):
        weight = _weight(coherence[m])
        total = np.maximum(weight.sum(axis=1), _TINY)
        own = unit[m] * trails.means[m].conj()
        trails.fits[part, m] = np.clip((own.real * weight).sum(axis=1) / total, 0.0, 1.0)
        square = (weight * omega**2).sum(axis=1)
        trails.delays[part, m] = -(weight * omega * own.imag).sum(axis=1) / np.maximum(square, _TINY)
        information = 2.0 * bins * square
        trails.spreads[part, m] = np.where(information > 0.0, 1.0 / np.sqrt(np.maximum(information, _TINY)), np.inf)
        shared = coherence[m].sum(axis=1) / max(1, int(mask[m].sum()))
        trails.alive[part, m] = (trails.fits[part, m] >= MIN_FIT) & (shared > MIN_SHARED)


def _unit(sums: ComplexArray) -> ComplexArray:
    """Phases alone; 1 where there is nothing."""
    size = np.abs(sums)
    return np.where(size > 0.0, sums / np.maximum(size, _TINY), 1.0)


def _certain(trails: Trails, followed: StretchSpectra) -> BoolArray:
    """(S) stretches in which no mic of the sum is unlike itself: where one changes inside, all are uncertain."""
    rows = [m for m in np.flatnonzero(followed.in_sum).tolist() if trails.alive[:, m].any()]
    certain = np.ones(len(trails.stretches), np.bool_)
    for m in rows:
        usual = float(np.median(trails.fits[trails.alive[:, m], m]))
        certain &= (trails.fits[:, m] >= USUAL_FIT * usual) | (trails.levels_db[:, m] < -LOST_DB)
    return certain if certain.sum() >= 2 else np.ones_like(certain)


def _stand(trails: Trails, followed: StretchSpectra) -> None:
    """From one stretch to the next, what most mics of the sum share is nobody's change: it is taken from all.

    Of two equal parts the one with the reference stands.
    """
    rows = np.flatnonzero(followed.in_sum)
    pair = len(rows) == 2 and followed.reference in rows
    sure = np.flatnonzero(trails.certain).tolist()
    for last, s in itertools.pairwise(sure):
        noise = np.minimum(np.hypot(trails.spreads[s], trails.spreads[last]), 1e3)
        live = [m for m in rows.tolist() if trails.alive[s, m] and trails.alive[last, m]] or rows.tolist()
        if pair and followed.reference not in live:
            continue  # against a sub mic alone a reference is hardly like itself; it was left where it was
        live = [m for m in live if noise[m] <= EXACT * noise[live].min()]
        step = trails.delays[s] - trails.delays[last]
        turn = trails.signs[s] * trails.signs[last]
        alike = max(SAME_SAMPLES, SAME_SHARE * float(np.ptp(step[live])))
        near = [[n for n in live if abs(step[n] - step[m]) <= alike + 4.0 * np.hypot(noise[n], noise[m])] for m in live]
        if max((len(group) for group in near), default=0) * 2 <= len(live):
            near = [group + _agreeing(rows.tolist(), live, m, step, noise) for m, group in zip(live, near, strict=True)]
        most = max(near, key=lambda group: (len(group), followed.reference in group), default=[])
        if most:
            most = [m for m in most if m in live]
            weight = 1.0 / (1e-3 + noise[most]) ** 2
            trails.delays[s:] -= float(np.dot(step[most], weight) / weight.sum())
        same = max((1, -1), key=lambda sign: (sum(turn[m] == sign for m in live), _is(turn, followed.reference, sign)))
        if same < 0:
            trails.signs[s:] *= -1


def _mistrust_ends(trails: Trails, case: Case) -> None:
    """Drums before the guitar or after it come to every mic by another way: windows at the song's ends in which several
    mics go their own ways are uncertain, and a sub mic is not heard in an outermost one in which it alone does."""
    count, far = len(trails.stretches), ELSEWHERE_S * case.signal.rate
    if count <= 2 * OUTERMOST:
        return
    roles = np.array([mic.role for mic in case.mics])
    for end, beside, inner in ((0, 1, OUTERMOST), (count - 1, count - 2, count - 1 - OUTERMOST)):
        for s, near in ((end, beside), (beside, inner)):
            step = trails.delays[s] - trails.delays[inner]
            astray = (np.abs(step) > far) | (trails.signs[s] != trails.signs[inner])
            astray &= trails.alive[s] & trails.alive[inner] & (roles != "room")
            if astray.sum() >= 2 and float(np.ptp(step[astray])) > far:
                trails.certain[s] = False
            elif s == end:
                back = np.abs(trails.delays[near] - trails.delays[inner]) <= far
                back &= trails.signs[near] == trails.signs[inner]
                trails.alive[s] &= ~(astray & back & (roles == "sub"))


def _agreeing(rows: list[int], live: list[int], m: int, step: FloatArray, noise: FloatArray) -> list[int]:
    """Less exact mics whose step is that of m, where the mics are further apart than such a mic errs."""
    far = float(np.ptp(step[live]))
    errs = {n: max(ROUGH_SAMPLES, ROUGH_SHARE * far, 4.0 * float(noise[n])) for n in rows if n not in live}
    return [n for n, error in errs.items() if far > 2.0 * error and abs(step[n] - step[m]) <= error]


def _is(turn: npt.NDArray[np.int64], m: int | None, sign: int) -> bool:
    return m is not None and turn[m] == sign


class _Chunk:
    """Some stretches in hand: their cross-spectra with every mic where it is believed to be."""

    def __init__(self, followed: StretchSpectra, trails: Trails, part: slice) -> None:
        self._f, self._trails, self._part = followed, trails, part
        self._matrix, self._own = followed.aligned(trails.stretches[part])
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

    def tell_sums(self) -> None:
        """What the mics of the sum reach together as decided, what each adds, and what the others reach without it; of
        the partners among them where they are more. Each is the mean over the third octaves that hold signal."""
        f, shape = self._f, self._own.shape[:2]
        energies, weights = np.zeros(len(self._own)), np.zeros(len(self._own))
        added, without, counts = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        size = np.sqrt(self._own)
        strongest = np.stack([self._own[:, :, part].sum(axis=2) for part in f.slices], axis=2).max(axis=(1, 2))
        for b, part in enumerate(f.slices):
            columns = [a for a, n in enumerate(f.partners) if f.summed[n] and f.bands[n, b]]
            used = [f.partners[a] for a in columns]
            if len(used) < 2 or not f.counted[b]:
                continue
            block = self._matrix[..., part][:, used][:, :, columns].real.sum(axis=3)
            weight = (self._own[:, used, part].sum(axis=(1, 2)) > strongest * MIN_BAND).astype(np.float64)
            whole, each, others = _sums(block, size[:, used, part])
            energies += weight * whole
            weights += weight
            added[:, used] += weight[:, None] * each
            without[:, used] += weight[:, None] * others
            counts[:, used] += weight[:, None]
        trails, part, counts = self._trails, self._part, np.maximum(counts, _TINY)
        reached = np.where(weights > 0.0, energies / np.maximum(weights, 1.0), 1.0)
        trails.efficiencies_db[part] = _in_db(reached)
        trails.reached[part] = np.where(counts >= 1.0, added / counts, 1.0)
        # Without a mic that is not among the partners nothing changes.
        trails.without_db[part] = _in_db(np.where(counts >= 1.0, without / counts, reached[:, None]))

    def look(self, sums: ComplexArray) -> tuple[ComplexArray, FloatArray]:
        """Unit phases and coherences (M, s, F) of every mic as it stands; each adds its share to its mean."""
        unit = np.empty((self._f.mics, *self._own[:, 0].shape), np.complex128)
        coherence = np.empty(unit.shape)
        for m in range(self._f.mics):
            unit[m], coherence[m] = self._against(m, np.ones_like(sums))
            weight = _weight(coherence[m])
            sums[m] += (unit[m] * (weight / np.maximum(weight.sum(axis=1, keepdims=True), _TINY))).sum(axis=0)
        return unit, coherence

    def powers_db(self) -> FloatArray:
        """(s, M, B) power of each mic by third octave in dB."""
        sums = np.stack([self._own[:, :, part].sum(axis=2) for part in self._f.slices], axis=2)
        return np.asarray(10.0 * np.log10(np.maximum(sums, SILENCE)))

    def run(self, means: ComplexArray, *, wide: bool) -> None:
        """Sweep over the mics, the one least like itself first; of two mics the reference is the one that stays."""
        order = sorted(range(self._f.mics), key=lambda m: (not self._f.in_sum[m], self._likeness(m, means)))
        pair = np.flatnonzero(self._f.in_sum).tolist()
        if len(pair) == 2:
            stays = self._f.reference if self._f.reference in pair else pair[0]
            order = [m for m in order if m != stays]
        for _ in range(SWEEPS):
            for m in order:
                self._one(m, means, wide=wide)

    def _against(self, m: int, means: ComplexArray) -> tuple[ComplexArray, FloatArray]:
        """(s, F) unit phase of mic m against the rest on top of its mean, and coherence."""
        columns = [a for a in self._columns if self._f.partners[a] != m]
        rest = [self._f.partners[a] for a in columns]
        cross = self._matrix[:, m, columns].sum(axis=1)
        total = self._matrix[:, rest][:, :, columns].real.sum(axis=(1, 2))
        own = self._own[:, m]
        size = np.abs(cross)
        shared = own * np.maximum(total, 0.0)
        coherence = np.where(shared > 1e-40, size**2 / np.maximum(shared, 1e-40), 0.0)
        chance = 1.0 / (self._frames * self._f.merged * 0.7)[:, None]
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
        shift = np.where(usable, self._refined(unit * sign[:, None], weight, shift, self._f.near_samples[m]), 0.0)
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

    def _refined(self, unit: ComplexArray, weight: FloatArray, shift: FloatArray, near: float) -> FloatArray:
        """(s) the shift at the top of the peak, within `near` samples: Newton on the exact phases."""
        omega, start = self._f.omega, shift
        for _ in range(6):
            turned = unit * np.exp(1j * shift[:, None] * omega)
            slope = -(weight * omega * turned.imag).sum(axis=1)
            bend = (weight * omega**2 * turned.real).sum(axis=1)
            step = np.where(bend > 0.0, slope / np.maximum(bend, _TINY), 0.0)
            most = near / 3.0
            shift = np.clip(shift + np.clip(step, -most, most), start - near, start + near)
        return np.asarray(np.where(np.abs(shift - start) < near, shift, start))

    def tell(self, means: ComplexArray, sums: ComplexArray) -> None:
        """Fits and spreads, and each mic's share of its next mean."""
        trails, part = self._trails, self._part
        frames = (self._frames * self._f.merged)[:, None]
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


def _sums(block: FloatArray, size: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of one band, from its real cross-powers (s, u, u) and amplitudes (s, u, f): (s) share of what the mics can reach
    that they do, (s, u) what each adds to the others, -1 to 1, and (s, u) the share that the others reach alone."""
    total = size.sum(axis=1)
    limit = np.maximum((total**2).sum(axis=1), _TINY)
    rest = total[:, None] - size
    own = np.diagonal(block, axis1=1, axis2=2)
    row, whole = block.sum(axis=2), block.sum(axis=(1, 2))
    least = np.maximum(NOTHING * limit[:, None], _TINY)
    each = np.clip((row - own) / np.maximum((size * rest).sum(axis=2), least), -1.0, 1.0)
    without = (whole[:, None] - 2.0 * row + own) / np.maximum((rest**2).sum(axis=2), least)
    return whole / limit, each, np.clip(without, 0.0, 1.0)


def _in_db(energies: FloatArray) -> FloatArray:
    return np.asarray(10.0 * np.log10(np.maximum(energies, 1e-12)))


def _weight(coherence: FloatArray) -> FloatArray:
    return np.asarray(coherence / (1.0 - coherence))
