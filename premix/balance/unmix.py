"""The gains that make a mix of its tracks: non-negative least squares on what both share, with an equaliser of the mix.

In each third octave b the mix's channel c is y_c = H_b sum_k a_ck x_k + the rest: a >= 0 the gain of track k in channel
c, H_b one complex factor for what equalises the whole mix (Barchiesi & Reiss, "Reverse Engineering of a Mix", J. Audio
Eng. Soc. 58(7/8), 2010). The a of one mic differ between performances only by where and how loud these stand:
a_ck = g_mic(k) q_c,place(k). For given g and q the H are a linear, tridiagonal system: they are held near their
neighbours and near 1, as a mix is not equalised by 6 dB from one third octave to the next. What is left, a smooth
function of few numbers that are not negative, goes to scipy's L-BFGS-B. Bands weigh by what they say: their bins over
the power that is left of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from premix.arrays import BoolArray, ComplexArray, FloatArray, IndexArray
from premix.balance.gathered import Gathered, Side

STEP_SD, HEIGHT_SD = 0.2, 0.7
"""Standard deviations of an equaliser's factor from its neighbour and from 1: 1.6 dB a third octave, 5 in all."""
LEAST_LEFT = 0.02
"""Of a band's power at least so much counts as not understood: an equaliser is not flat within a third octave."""
HANN_BINS = 1.5
"""Bins of a Hann window that say the same (Harris, Proc. IEEE 66(1), 1978)."""
ROUNDS = 3
MOST_STEPS, STEPS_AGAIN = 400, 120
FINE_REACH_S = 0.02
"""How far the mix may lie from where it was read, once the band of the offset is left for the whole spectrum."""
_TINY = 1e-300


@dataclass(frozen=True, slots=True)
class Layout:
    """mic: (K) which of the set-up's mics each track is; place: (K) which performance on which bus."""

    mic: IndexArray
    place: IndexArray

    @property
    def mics(self) -> int:
        return int(self.mic.max()) + 1

    @property
    def places(self) -> int:
        return int(self.place.max()) + 1


@dataclass(frozen=True, slots=True)
class Gains:
    """mics: (M) g; places: (2, Q) q; equaliser: (B) H."""

    mics: FloatArray
    places: FloatArray
    equaliser: ComplexArray

    def tracks(self, layout: Layout) -> FloatArray:
        """(2, K) gain of every track in each channel."""
        return self.mics[layout.mic] * self.places[:, layout.place]


@dataclass(frozen=True, slots=True)
class Shared:
    """Sums over some parts of a song. among: (B, K, K); with_mix: (2, K, B) complex; mix: (2, B); bins: (B) how many
    independent ones stand behind each band."""

    among: FloatArray
    with_mix: ComplexArray
    mix: FloatArray
    bins: FloatArray


@dataclass(frozen=True, slots=True)
class Unmixed:
    """One explanation of a mix: gains from all of the song, and from all but one part each; explained: share of the mix
    in the mean of its bands, of each part by the gains of the others; late_samples: of the mix, beyond its offset."""

    gains: Gains
    without: tuple[Gains, ...]
    explained: float
    by_band: FloatArray
    late_samples: float


def unmix(gathered: Gathered, side: Side, layout: Layout, start: Gains) -> Unmixed:
    """The mix as gains of these tracks; start: what is tried first, H left out."""
    late = _late(gathered, side, start.tracks(layout))
    for _ in range(2):
        shared = _shared(gathered, side, range(len(gathered.frames)), late.samples, late.sign)
        gains = solve(shared, layout, _scaled(shared, layout, start))
        again = _late(gathered, side, gains.tracks(layout))
        moved = abs(again.samples - late.samples)
        late = again
        if moved < 0.25:
            break
    shared = _shared(gathered, side, range(len(gathered.frames)), late.samples, late.sign)
    gains = solve(shared, layout, gains)
    parts = [p for p, count in enumerate(gathered.frames) if count]
    without, explained, power = [], np.zeros(len(shared.mix[0])), np.zeros(len(shared.mix[0]))
    for part in parts if len(parts) > 1 else []:
        others = _shared(gathered, side, [p for p in parts if p != part], late.samples, late.sign)
        own = _shared(gathered, side, [part], late.samples, late.sign)
        found = solve(others, layout, gains, rounds=1, steps=STEPS_AGAIN)
        without.append(found)
        explained += _explained(own, found.tracks(layout), found.equaliser)
        power += own.mix.sum(axis=0)
    by_band = explained / np.maximum(power, _TINY)
    return Unmixed(gains, tuple(without), float(by_band.mean()), by_band, late.samples)


def solve(shared: Shared, layout: Layout, start: Gains, *, rounds: int = ROUNDS, steps: int = MOST_STEPS) -> Gains:
    """The likeliest gains; start: where the search begins, its equaliser is not looked at."""
    from scipy.optimize import minimize

    gains, power = start, shared.mix.sum(axis=0)
    left = power.copy()
    bounds = [(0.0, None)] * (layout.mics + 2 * layout.places)
    for number in range(rounds + 1):
        weights = shared.bins / np.maximum(left, LEAST_LEFT * power + _TINY)
        scale = np.concatenate((_some(gains.mics), _some(gains.places).ravel()))

        def cost(x: FloatArray, weights: FloatArray = weights, scale: FloatArray = scale) -> tuple[float, FloatArray]:
            tried = _gains(x * scale, layout)
            value, slope, _ = _cost(shared, layout, tried, weights)
            return value, slope * scale

        at = np.concatenate((gains.mics, gains.places.ravel())) / scale
        found = minimize(
            cost, at, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": steps, "ftol": 1e-9, "gtol": 1e-7}
        )
        gains = _gains(found.x * scale, layout)
        gains = replace(gains, equaliser=_cost(shared, layout, gains, weights)[2])
        left = power - _explained(shared, gains.tracks(layout), gains.equaliser)
        if number == rounds:
            break
    return gains


def _some(values: FloatArray) -> FloatArray:
    """Steps for the search: of each value its own size, or a tenth of the others' where it is near nothing."""
    sized: FloatArray = np.maximum(values, 0.1 * float(values.mean()) + 1e-9)
    return sized


def _gains(x: FloatArray, layout: Layout) -> Gains:
    return Gains(x[: layout.mics], x[layout.mics :].reshape(2, -1), np.ones(0, np.complex128))


def _cost(shared: Shared, layout: Layout, gains: Gains, weights: FloatArray) -> tuple[float, FloatArray, ComplexArray]:
    """Misfit of the gains with the best equaliser, its slope by g and q, and that equaliser."""
    tracks = gains.tracks(layout)
    pulled = shared.among @ tracks.T  # (B, K, 2)
    energy = weights * np.einsum("bkc,ck->b", pulled, tracks)
    cross = weights * np.einsum("ck,ckb->b", tracks, shared.with_mix)
    factors = equaliser(energy, cross)
    steps = np.diff(factors)
    value = float(
        (weights * shared.mix.sum(axis=0) + energy * np.abs(factors) ** 2 - 2.0 * (factors.conj() * cross).real).sum()
        + (np.abs(steps) ** 2).sum() / STEP_SD**2
        + (np.abs(factors - 1.0) ** 2).sum() / HEIGHT_SD**2
    )
    slope = 2.0 * np.einsum("b,bkc->ck", weights * np.abs(factors) ** 2, pulled)
    slope -= 2.0 * np.einsum("b,ckb->ck", weights * factors.conj(), shared.with_mix).real
    by_mic = np.bincount(layout.mic, (slope * gains.places[:, layout.place]).sum(axis=0), layout.mics)
    by_place = [np.bincount(layout.place, own * gains.mics[layout.mic], layout.places) for own in slope]
    return value, np.concatenate((by_mic, *by_place)), factors


def equaliser(energy: FloatArray, cross: ComplexArray) -> ComplexArray:
    """(B) factors that are likeliest for bands of this weighted energy and cross-power."""
    from scipy.linalg import solveh_banded

    near = np.zeros(len(energy))
    near[:-1] += 1.0
    near[1:] += 1.0
    banded = np.zeros((2, len(energy)))
    banded[1] = energy + near / STEP_SD**2 + 1.0 / HEIGHT_SD**2
    banded[0, 1:] = -1.0 / STEP_SD**2
    factors: ComplexArray = solveh_banded(banded, cross + 1.0 / HEIGHT_SD**2)
    return factors


def _explained(shared: Shared, tracks: FloatArray, factors: ComplexArray) -> FloatArray:
    """(B) power of the mix that these gains take away from it; less than 0 where they fit worse than nothing."""
    energy = np.einsum("ck,bkn,cn->b", tracks, shared.among, tracks)
    cross = np.einsum("ck,ckb->b", tracks, shared.with_mix)
    taken: FloatArray = 2.0 * (factors.conj() * cross).real - np.abs(factors) ** 2 * energy
    return taken


def _scaled(shared: Shared, layout: Layout, start: Gains) -> Gains:
    """The start at the level of the mix, in each channel: a share of every place is tried in both."""
    tracks = np.broadcast_to(start.tracks(layout).mean(axis=0), (2, len(layout.mic)))
    energy = np.einsum("ck,bkn,cn->b", tracks, shared.among, tracks)
    cross = np.einsum("ck,ckb->b", tracks, shared.with_mix)
    weights = shared.bins / np.maximum(shared.mix.sum(axis=0), _TINY)
    level = float((weights * np.abs(cross)).sum() / max(float((weights * energy).sum()), _TINY))
    places = np.broadcast_to(start.places.mean(axis=0) * level, start.places.shape)
    return Gains(start.mics.copy(), places.copy(), start.equaliser)


@dataclass(frozen=True, slots=True)
class _Late:
    """samples: by which the mix lies behind where it was read; sign: -1 where it is turned over."""

    samples: float
    sign: int


def _late(gathered: Gathered, side: Side, tracks: FloatArray) -> _Late:
    """From the whitened cross-spectrum of the mix with the sum of the tracks, on a grid of an eighth of a sample."""
    shared = gathered.shared.sum(axis=0)
    mono = np.einsum("k,ckf,kf->f", tracks.sum(axis=0), shared, side.turn.conj())
    first = round(float(gathered.freqs_hz[0] / (gathered.freqs_hz[1] - gathered.freqs_hz[0])))
    spectrum = np.zeros(first + len(mono), np.complex128)
    spectrum[first:] = mono / np.maximum(np.abs(mono), _TINY)
    frame = round(gathered.rate / (gathered.freqs_hz[1] - gathered.freqs_hz[0]))
    size = 8 * frame
    found = np.fft.irfft(spectrum, size)
    reach = int(FINE_REACH_S * gathered.rate * 8)
    near = np.concatenate((found[-reach:], found[: reach + 1]))
    best = int(np.argmax(np.abs(near)))
    return _Late((best - reach) / 8.0, 1 if near[best] >= 0.0 else -1)


def _shared(gathered: Gathered, side: Side, parts: Sequence[int], late: float, sign: int) -> Shared:
    """The sums over some parts, the mix moved to where it belongs."""
    parts = list(parts)
    moved = sign * side.turn.conj() * np.exp(1j * gathered.omega * late)
    cross = gathered.shared[parts].sum(axis=0) * moved
    with_mix = np.stack([cross[:, :, own].sum(axis=2) for own in gathered.slices], axis=2)
    frames = sum(gathered.frames[part] for part in parts)
    bins = np.array([frames * (own.stop - own.start) / HANN_BINS for own in gathered.slices])
    return Shared(side.among[parts].sum(axis=0), with_mix, gathered.mix[parts].sum(axis=0), bins)


def heard(gains: Gains, layout: Layout, among: FloatArray, least: float) -> BoolArray:
    """(M) whether a mic has more than `least` of the power of the loudest one in any band; among: (B, K, K)."""
    own = np.einsum("bkk->bk", among) * (gains.tracks(layout) ** 2).sum(axis=0)
    by_mic = np.stack([np.bincount(layout.mic, band, layout.mics) for band in own])
    most: BoolArray = (by_mic > least * by_mic.max(axis=1, keepdims=True)).any(axis=0)
    return most
