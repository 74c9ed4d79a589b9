"""The joint solver: polarity and delay of all close mics together, on the kernels alone.

The efficiency is linear in each mic's own phase term, so with all other mics held, the best delay and polarity of
one mic over the whole search range is one inverse FFT away (lag.py). Greedy start, then coordinate ascent, then
restarts from every runner-up of every mic and group of mics that comes near, so that the answer is the global one.

A variable is one unknown (delay, polarity); pooled mics share one variable over several performances.

The last hundredth of a sample: among delays that sum equally well, the one that the noise moves least.

The sum efficiency is flat at its top: a twentieth of a sample costs less than 0.0005 dB. Within that plateau the
maximum-likelihood phase weight C/(1-C) knows the delay better than the even weight of third octaves does.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from premix.alignment.evidence import Against, against_rest, likeliest_shift
from premix.alignment.kernel import Kernel, SignalSpectra
from premix.alignment.lag import Peak, find_peaks
from premix.arrays import ComplexArray, FloatArray

SWEEPS = 60
CONVERGED_SAMPLES = 1e-4
SCREEN_SWEEPS, SCREEN_SAMPLES, SCREEN_LEVEL = 5, 0.05, 0.99
"""A restart is followed this far first, and to the end only when it then comes within 0.04 dB of the best."""
SAME_SAMPLES = 0.5
NEAR_RUNNER_UP = 0.5
"""A runner-up peak at least this high, against the best, is worth a restart."""
RUNNERS_UP = 3
MOST_GROUPED = 5
"""Up to so many mics, every group of them is tried; with more, single ones, pairs, and all against the reference."""


@dataclass(frozen=True, slots=True)
class Variable:
    """One unknown: the (kernel index, mic index) pairs that share it, and its search range in samples.

    signs: 1, or -1 for a member whose polarity is the other one (a switch pressed between performances); () for all 1.
    """

    members: tuple[tuple[int, int], ...]
    search_samples: float
    polarity: int | None = None
    delay_samples: float | None = None
    signs: tuple[int, ...] = ()

    def signed(self) -> Iterator[tuple[int, int, int]]:
        """(kernel index, mic index, sign) of every member."""
        for (k, m), sign in zip(self.members, self.signs or (1,) * len(self.members), strict=True):
            yield k, m, sign

    def allows(self, peak: Peak) -> bool:
        return abs(peak.delay_samples) <= self.search_samples and self.polarity in (None, peak.polarity)


class State:
    """Delays (K, M) in samples and signs (K, M) of every mic of every kernel; sign 0: not in the sum yet."""

    def __init__(self, kernels: Sequence[Kernel], rate: int) -> None:
        self.kernels = kernels
        self.rate = rate
        mics = max(len(k.mics) for k in kernels)
        self.delays: FloatArray = np.zeros((len(kernels), mics))
        self.signs: npt.NDArray[np.int64] = np.zeros((len(kernels), mics), np.int64)
        self._omega = 2j * np.pi * kernels[0].freqs_hz / rate
        self._turned: ComplexArray = np.zeros((*self.delays.shape, len(self._omega)), np.complex128)
        self._responses: dict[tuple[int, int], ComplexArray] = {}

    def copy(self) -> "State":
        other = State(self.kernels, self.rate)
        other.delays, other.signs, other._turned = self.delays.copy(), self.signs.copy(), self._turned.copy()
        other._responses = dict(self._responses)
        return other

    def rotate(self, variable: Variable, response: ComplexArray) -> None:
        """Put an all-pass (F) on the variable's mics; the next `put` takes it up."""
        for pair in variable.members:
            self._responses[pair] = response

    def response(self, k: int, m: int) -> ComplexArray | float:
        """The all-pass (F) of a mic, 1 where it has none."""
        return self._responses.get((k, m), 1.0)

    def put(self, variable: Variable, delay_samples: float, polarity: int) -> None:
        """Give the variable's mics a delay and a polarity (0 takes them out of the sum)."""
        turned = polarity * np.exp(-self._omega * delay_samples)
        for k, m, sign in variable.signed():
            self.delays[k, m], self.signs[k, m] = delay_samples, sign * polarity
            self._turned[k, m] = sign * turned * np.conj(self.response(k, m))

    def get(self, variable: Variable) -> tuple[float, int]:
        k, m, sign = next(variable.signed())
        return float(self.delays[k, m]), sign * int(self.signs[k, m])

    def turned(self, k: int) -> ComplexArray:
        """(M, F) conj of each mic's own phase term, zero for mics not in the sum; not to be written to."""
        return self._turned[k, : len(self.kernels[k].mics)]

    def cross(self, variable: Variable) -> ComplexArray:
        """(F) cross-spectrum of the variable's mics with the sum of all others as they stand."""
        total = np.zeros(len(self.kernels[0].freqs_hz), np.complex128)
        for k, m, sign in variable.signed():
            turned, matrix = self.turned(k), self.kernels[k].matrix
            others = np.einsum("nf,nf->f", matrix[m], turned) - matrix[m, m] * turned[m]
            total += sign * others * self.response(k, m)
        return total

    def cross_group(self, group: Sequence[Variable]) -> ComplexArray:
        """(F) cross-spectrum of a group's mics, as they stand, with all mics outside the group."""
        total = np.zeros(len(self.kernels[0].freqs_hz), np.complex128)
        for k in {k for variable in group for k, _ in variable.members}:
            inside = [m for variable in group for i, m in variable.members if i == k]
            turned = self.turned(k)
            outside = turned.copy()
            outside[inside] = 0.0
            total += np.einsum("mf,mnf,nf->f", turned[inside].conj(), self.kernels[k].matrix[inside], outside)
        return total

    def efficiency(self, k: int) -> float:
        """Efficiency (0 to 1) of one kernel as the state stands."""
        turned = self.turned(k)
        rows = np.einsum("mnf,nf->mf", self.kernels[k].matrix, turned)
        return float(np.vdot(turned, rows).real)

    def total(self) -> float:
        """Sum of the efficiencies of all kernels."""
        return sum(self.efficiency(k) for k in range(len(self.kernels)))


@dataclass(frozen=True, slots=True)
class Solution:
    """The best state, and for each variable the height of its best peak and of the best peak of the other polarity."""

    state: State
    total: float
    heights: tuple[tuple[float, float], ...]
    at_edge: tuple[bool, ...]


def solve_from(variables: Sequence[Variable], start: State) -> Solution:
    """The nearest best answer to a `start` that holds a value for every variable: coordinate ascent alone."""
    state = _ascend(start, [v for v in variables if not _by_hand(v)])
    return _solution(state, variables)


def solve(kernels: Sequence[Kernel], rate: int, variables: Sequence[Variable], start: State) -> Solution:
    """Best delays and polarities of `variables`; mics that `start` already holds (the reference, values by hand) stay.

    Deterministic, and independent of the order of the variables but for exact ties.
    """
    free = [v for v in variables if not _by_hand(v)]
    base = start.copy()
    for variable in variables:
        if _by_hand(variable):
            base.put(variable, variable.delay_samples or 0.0, variable.polarity or 1)
    best = _ascend(_greedy(base, free), free)
    best_total = best.total()
    known = [best]
    for seed in _restarts(best, free):
        candidate = _ascend(seed, free, SCREEN_SWEEPS, SCREEN_SAMPLES)
        if any(_same(candidate, other) for other in known):
            continue
        known.append(candidate)
        if candidate.total() > best_total * SCREEN_LEVEL:
            candidate = _ascend(candidate, free)
            total = candidate.total()
            if total > best_total * (1.0 + 1e-9):
                best, best_total = candidate, total
    return _solution(best, variables)


def _same(a: State, b: State) -> bool:
    return bool(np.array_equal(a.signs, b.signs) and np.abs(a.delays - b.delays).max() < SAME_SAMPLES)


def _solution(state: State, variables: Sequence[Variable]) -> Solution:
    evidence = [_evidence(state, v) for v in variables]
    return Solution(state, state.total(), tuple(e[0] for e in evidence), tuple(e[1] for e in evidence))


def _by_hand(variable: Variable) -> bool:
    return variable.delay_samples is not None and variable.polarity is not None


def peaks_of(state: State, variable: Variable, most: int = 6) -> list[Peak]:
    """Peaks of one variable, the others held; a delay by hand leaves only its polarity open."""
    cross = state.cross(variable)
    freqs = state.kernels[0].freqs_hz
    if variable.delay_samples is not None:
        value = float(np.real(np.dot(cross, np.exp(2j * np.pi * freqs * variable.delay_samples / state.rate))))
        return [Peak(variable.delay_samples, 1 if value >= 0 else -1, abs(value))]
    return find_peaks(cross, freqs, state.rate, variable.search_samples, most, variable.polarity)


def _best(state: State, variable: Variable) -> Peak | None:
    """Best peak inside the range; looks further down only where the best lies outside."""
    near = next((p for p in peaks_of(state, variable, 1) if variable.allows(p)), None)
    return near or next((p for p in peaks_of(state, variable, 12) if variable.allows(p)), None)


def _greedy(base: State, free: Sequence[Variable]) -> State:
    """Put in one variable after the other, the one that is surest of itself first."""
    state = base.copy()
    left = list(free)
    while left:
        scored = []
        for variable in left:
            cross = state.cross(variable)
            peak = _best(state, variable)
            size = float(np.abs(cross).sum())
            scored.append((peak.height / size if peak and size > 0 else 0.0, -free.index(variable), variable, peak))
        _, _, variable, peak = max(scored, key=lambda s: s[:2])
        state.put(variable, peak.delay_samples if peak else 0.0, peak.polarity if peak else variable.polarity or 1)
        left.remove(variable)
    return state


def _ascend(
    state: State, free: Sequence[Variable], sweeps: int = SWEEPS, converged_samples: float = CONVERGED_SAMPLES
) -> State:
    """Coordinate ascent until no variable moves."""
    state = state.copy()
    for _ in range(sweeps):
        moved = 0.0
        for variable in free:
            peak = _best(state, variable)
            if peak is None:
                continue
            delay, sign = state.get(variable)
            moved = max(moved, abs(peak.delay_samples - delay) + (sign != peak.polarity))
            state.put(variable, peak.delay_samples, peak.polarity)
        if moved < converged_samples:
            break
    return state


def _restarts(best: State, free: Sequence[Variable]) -> list[State]:
    """States with some variables moved together to a runner-up that comes near the best.

    Moving mics one by one cannot cross from one ridge to the next where several must go the same way, so every
    group of up to `MOST_GROUPED` mics is tried as one against the rest.
    """
    movable = [v for v in free if v.delay_samples is None]
    sizes = range(1, len(movable) + 1) if len(movable) <= MOST_GROUPED else (1, 2, len(movable))
    seeds = []
    for size in sizes:
        for group in combinations(movable, size):
            cross = best.cross_group(group)
            search = 2.0 * max(v.search_samples for v in group)
            peaks = find_peaks(cross, best.kernels[0].freqs_hz, best.rate, search, RUNNERS_UP + 1)
            top = peaks[0].height if peaks else 0.0
            seeds += [_moved(best, group, p) for p in peaks if _worth(p, top) and _allowed(best, group, p)]
    return seeds


def _worth(peak: Peak, top: float) -> bool:
    here = abs(peak.delay_samples) < 1.0 and peak.polarity > 0
    return not here and peak.height >= NEAR_RUNNER_UP * top


def _allowed(state: State, group: Sequence[Variable], shift: Peak) -> bool:
    """Whether every variable of a group may go that much further and flip that way."""
    moved = ((v, *state.get(v)) for v in group)
    return all(v.allows(Peak(d + shift.delay_samples, s * shift.polarity, 0.0)) for v, d, s in moved)


def _moved(state: State, group: Sequence[Variable], shift: Peak) -> State:
    seed = state.copy()
    for variable in group:
        delay, sign = state.get(variable)
        seed.put(variable, delay + shift.delay_samples, sign * shift.polarity)
    return seed


def _evidence(state: State, variable: Variable) -> tuple[tuple[float, float], bool]:
    """Height of the best peak and of the best of the other polarity; whether the best answer lies outside the range."""
    peaks = peaks_of(state, variable)
    if not peaks:
        return (0.0, 0.0), False
    inside = [p for p in peaks if abs(p.delay_samples) <= variable.search_samples]
    at_edge = variable.delay_samples is None and abs(peaks[0].delay_samples) > variable.search_samples
    if not inside:
        return (0.0, 0.0), True
    best = inside[0]
    if variable.delay_samples is not None:
        return (best.height, 0.0), False
    cross, freqs = state.cross(variable), state.kernels[0].freqs_hz
    others = find_peaks(cross, freqs, state.rate, variable.search_samples, 2, -best.polarity)
    rival = next((p.height for p in others if abs(p.delay_samples) <= variable.search_samples), 0.0)
    return (best.height, rival), at_edge


PLATEAU_DB = 0.0005
ROUNDS = 3


def polish(state: State, signals: list[SignalSpectra], variables: list[Variable]) -> State:
    """Move each free variable to the likeliest delay on its plateau; polarities stay."""
    state = state.copy()
    origin = state.copy()
    reach = [_plateau(origin, v) for v in variables]
    for _ in range(ROUNDS):
        for variable, width in zip(variables, reach, strict=True):
            delay, sign = state.get(variable)
            rotated = isinstance(state.response(*variable.members[0]), np.ndarray)
            if variable.delay_samples is not None or width <= 0.0 or rotated:
                continue
            againsts: list[Against] = [against_rest(signals[k], m, state.turned(k)) for k, m in variable.members]
            turns = [(sign * own, delay) for _, _, own in variable.signed()]
            shift, _ = likeliest_shift(againsts, turns, state.rate)
            home, _ = origin.get(variable)
            moved = float(np.clip(delay + shift, home - width, home + width))
            if abs(moved) <= variable.search_samples:
                state.put(variable, moved, sign)
    return state


def _plateau(state: State, variable: Variable) -> float:
    """Half width in samples over which the efficiency of the variable's kernels falls by at most PLATEAU_DB."""
    delay, sign = state.get(variable)
    cross = state.cross(variable)
    omega = 2.0 * np.pi * state.kernels[0].freqs_hz / state.rate
    bend = 2.0 * sign * float(np.dot(omega**2, np.real(cross * np.exp(1j * omega * delay))))
    total = sum(state.efficiency(k) for k, _ in variable.members)
    loss = total * (1.0 - 10.0 ** (-PLATEAU_DB / 10.0))
    return float(np.sqrt(2.0 * loss / bend)) if bend > 0.0 else 0.0
