"""The joint solver: polarity and delay of all close mics together, on the kernels alone.

The efficiency is linear in each mic's own phase term, so with all other mics held, the best delay and polarity of
one mic over the whole search range is one inverse FFT away (lag.py). Greedy start, then coordinate ascent, then
restarts from every runner-up that comes near, so that the answer is the global one.

A variable is one unknown (delay, polarity); pooled mics share one variable over several performances.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from premix.alignment.kernel import Kernel
from premix.alignment.lag import Peak, find_peaks
from premix.model.analysis import ComplexArray, FloatArray

SWEEPS = 60
CONVERGED_SAMPLES = 1e-4
NEAR_RUNNER_UP = 0.55
"""A runner-up peak at least this high, against the best, is worth a restart."""


@dataclass(frozen=True, slots=True)
class Variable:
    """One unknown: the (kernel index, mic index) pairs that share it, and its search range in samples."""

    members: tuple[tuple[int, int], ...]
    search_samples: float
    polarity: int | None = None
    delay_samples: float | None = None

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
        for k, m in variable.members:
            self.delays[k, m], self.signs[k, m] = delay_samples, polarity
            self._turned[k, m] = turned * np.conj(self.response(k, m))

    def get(self, variable: Variable) -> tuple[float, int]:
        k, m = variable.members[0]
        return float(self.delays[k, m]), int(self.signs[k, m])

    def turned(self, k: int) -> ComplexArray:
        """(M, F) conj of each mic's own phase term, zero for mics not in the sum; not to be written to."""
        return self._turned[k, : len(self.kernels[k].mics)]

    def cross(self, variable: Variable) -> ComplexArray:
        """(F) cross-spectrum of the variable's mics with the sum of all others as they stand."""
        total = np.zeros(len(self.kernels[0].freqs_hz), np.complex128)
        for k, m in variable.members:
            turned, matrix = self.turned(k), self.kernels[k].matrix
            others = np.einsum("nf,nf->f", matrix[m], turned) - matrix[m, m] * turned[m]
            total += others * self.response(k, m)
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
    for seed in _restarts(best, free):
        candidate = _ascend(seed, free)
        total = candidate.total()
        if total > best_total * (1.0 + 1e-9):
            best, best_total = candidate, total
    return _solution(best, variables)


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
    return find_peaks(cross, freqs, state.rate, variable.search_samples, most)


def _best(state: State, variable: Variable) -> Peak | None:
    """Best peak inside the range; looks further down only where the best is not allowed."""
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


def _ascend(state: State, free: Sequence[Variable]) -> State:
    """Coordinate ascent until no variable moves."""
    state = state.copy()
    for _ in range(SWEEPS):
        moved = 0.0
        for variable in free:
            peak = _best(state, variable)
            if peak is None:
                continue
            delay, sign = state.get(variable)
            moved = max(moved, abs(peak.delay_samples - delay) + (sign != peak.polarity))
            state.put(variable, peak.delay_samples, peak.polarity)
        if moved < CONVERGED_SAMPLES:
            break
    return state


def _restarts(best: State, free: Sequence[Variable]) -> list[State]:
    """States with one or two variables moved to a runner-up that comes near the best."""
    runners: list[list[Peak]] = []
    for variable in free:
        peaks = [p for p in peaks_of(best, variable) if variable.allows(p)]
        runners.append([p for p in peaks[1:4] if p.height >= NEAR_RUNNER_UP * peaks[0].height] if peaks else [])
    seeds = []
    for i, variable in enumerate(free):
        for peak in runners[i]:
            seed = best.copy()
            seed.put(variable, peak.delay_samples, peak.polarity)
            seeds.append(_without_moving(seed, free, i))
            for j in range(i + 1, len(free)):
                if runners[j]:
                    double = seed.copy()
                    double.put(free[j], runners[j][0].delay_samples, runners[j][0].polarity)
                    seeds.append(double)
    return seeds


def _without_moving(seed: State, free: Sequence[Variable], held: int) -> State:
    """Let all other variables answer to the moved one before it may move back."""
    return _ascend(seed, [v for i, v in enumerate(free) if i != held])


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
    other = next((p.height for p in inside if p.polarity != best.polarity), 0.0)
    return (best.height, other), at_edge
