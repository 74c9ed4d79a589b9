"""The joint solver: polarity and delay of all close mics together, on the kernels alone.

The efficiency is linear in each mic's own phase term, so with all other mics held, the best delay and polarity of
one mic over the whole search range is one inverse FFT away (lag.py). Greedy start, then coordinate ascent, then
restarts from every runner-up of every mic and group of mics that comes near, so that the answer is the global one.
A variable is one unknown (delay, polarity); pooled mics share one variable over several performances.

The last hundredth of a sample is `polish`'s: the efficiency is flat at its top (a twentieth of a sample costs less than
0.0005 dB), and within that plateau the maximum-likelihood phase weight C/(1-C) knows the delay better than the even
weight of third octaves does.
"""

from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from premix.alignment.evidence import against_rest, likeliest_shift
from premix.alignment.kernel import Kernel, SignalSpectra
from premix.alignment.lag import Peak, best_within, curvature, find_peaks, rival_height, score
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

    @property
    def by_hand(self) -> bool:
        """Whether nothing of it is to be found."""
        return self.delay_samples is not None and self.polarity is not None

    def signed(self) -> Iterator[tuple[int, int, int]]:
        """(kernel index, mic index, sign) of every member."""
        for (k, m), sign in zip(self.members, self.signs or (1,) * len(self.members), strict=True):
            yield k, m, sign

    def allows(self, peak: Peak) -> bool:
        """Whether a peak may be this unknown's; a delay by hand may be as far as it likes."""
        near = self.delay_samples is not None or abs(peak.delay_samples) <= self.search_samples
        return near and self.polarity in (None, peak.polarity)


class State:
    """Delays (K, M) in samples and signs (K, M) of every mic of every kernel; sign 0: not in the sum yet."""

    def __init__(self, kernels: Sequence[Kernel], rate: int) -> None:
        self.kernels = kernels
        self.rate, self.freqs_hz = rate, kernels[0].freqs_hz
        self.omega: FloatArray = 2.0 * np.pi * self.freqs_hz / rate
        self._turn = -2j * np.pi * self.freqs_hz / rate
        mics = max(k.mics for k in kernels)
        self.delays: FloatArray = np.zeros((len(kernels), mics))
        self.signs: npt.NDArray[np.int64] = np.zeros((len(kernels), mics), np.int64)
        self._turned: ComplexArray = np.zeros((*self.delays.shape, len(self.freqs_hz)), np.complex128)
        self._responses: dict[tuple[int, int], ComplexArray] = {}

    def copy(self) -> "State":
        other = copy(self)
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
        turned = polarity * np.exp(self._turn * delay_samples)
        for k, m, sign in variable.signed():
            self.delays[k, m], self.signs[k, m] = delay_samples, sign * polarity
            self._turned[k, m] = sign * turned * np.conj(self.response(k, m))

    def get(self, variable: Variable) -> tuple[float, int]:
        k, m, sign = next(variable.signed())
        return float(self.delays[k, m]), sign * int(self.signs[k, m])

    def turned(self, k: int) -> ComplexArray:
        """(M, F) conj of each mic's own phase term, zero for mics not in the sum; not to be written to."""
        return self._turned[k, : self.kernels[k].mics]

    def partner(self, variable: Variable) -> bool:
        """Whether others are compared with a mic of the variable, so that their answers depend on its value."""
        return any(m in self.kernels[k].partners for k, m in variable.members)

    def cross(self, variable: Variable) -> ComplexArray:
        """(F) cross-spectrum of the variable's mics with the sum of all others as they stand."""
        total = np.zeros(len(self.freqs_hz), np.complex128)
        for k, m, sign in variable.signed():
            turned, kernel = self.turned(k), self.kernels[k]
            others = kernel.against(m, turned)
            if m in kernel.partners:
                others -= kernel.own(m) * turned[m]
            total += sign * others * self.response(k, m)
        return total

    def cross_group(self, group: Sequence[Variable]) -> ComplexArray:
        """(F) cross-spectrum of a group's mics, as they stand, with all mics outside the group."""
        total = np.zeros(len(self.freqs_hz), np.complex128)
        for k in {k for variable in group for k, _ in variable.members}:
            inside = [m for variable in group for i, m in variable.members if i == k]
            turned = self.turned(k)
            outside = turned.copy()
            outside[inside] = 0.0
            for m in inside:
                total += turned[m].conj() * self.kernels[k].against(m, outside)
        return total

    def efficiency(self, k: int) -> float:
        """Efficiency (0 to 1) of one kernel as the state stands."""
        return float(self.kernels[k].energy(self.turned(k)).sum())

    def total(self) -> float:
        """Sum of the efficiencies of all kernels."""
        return sum(self.efficiency(k) for k in range(len(self.kernels)))


def solve(variables: Sequence[Variable], start: State) -> State:
    """Best delays and polarities of `variables`; mics that `start` already holds (the reference) stay.

    Deterministic, and independent of the order of the variables but for exact ties. Of many mics the partners are
    solved together; each of the others then has one best answer against them.
    """
    free = [v for v in variables if not v.by_hand and start.partner(v)]
    base = start.copy()
    for variable in variables:
        if variable.by_hand:
            base.put(variable, variable.delay_samples or 0.0, variable.polarity or 1)
    best = ascend(_greedy(base, free), free)
    best_total = best.total()
    known = [(best.signs, best.delays)]
    for seed in _restarts(best, free):
        candidate = ascend(seed, free, SCREEN_SWEEPS, SCREEN_SAMPLES)
        if any(_same(candidate, *other) for other in known):
            continue
        known.append((candidate.signs, candidate.delays))
        if candidate.total() > best_total * SCREEN_LEVEL:
            candidate = ascend(candidate, free)
            total = candidate.total()
            if total > best_total * (1.0 + 1e-9):
                best, best_total = candidate, total
    return _greedy(best, [v for v in variables if not v.by_hand and not start.partner(v)])


def ascend(
    state: State, variables: Sequence[Variable], sweeps: int = SWEEPS, converged_samples: float = CONVERGED_SAMPLES
) -> State:
    """The nearest best answer to a state that holds a value for every variable: ascent until no variable moves."""
    state = state.copy()
    free = [v for v in variables if not v.by_hand]
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


def _same(state: State, signs: npt.NDArray[np.int64], delays: FloatArray) -> bool:
    return bool(np.array_equal(state.signs, signs) and np.abs(state.delays - delays).max() < SAME_SAMPLES)


def _peaks(state: State, variable: Variable, most: int = 6) -> list[Peak]:
    """Peaks of one variable, the others held; a delay by hand leaves only its polarity open."""
    cross = state.cross(variable)
    if variable.delay_samples is not None:
        value = score(cross, state.omega, variable.delay_samples)
        return [Peak(variable.delay_samples, 1 if value >= 0 else -1, abs(value))]
    return find_peaks(cross, state.freqs_hz, state.rate, variable.search_samples, most, variable.polarity)


def _best(state: State, variable: Variable) -> Peak | None:
    """Best peak inside the range; looks further down only where the best lies outside."""
    return next((p for most in (1, 12) for p in _peaks(state, variable, most) if variable.allows(p)), None)


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


def _restarts(best: State, free: Sequence[Variable]) -> Iterator[State]:
    """States with some variables moved together to a runner-up that comes near the best.

    Moving mics one by one cannot cross from one ridge to the next where several must go the same way, so every
    group of up to `MOST_GROUPED` mics is tried as one against the rest.
    """
    movable = [v for v in free if v.delay_samples is None]
    sizes = range(1, len(movable) + 1) if len(movable) <= MOST_GROUPED else (1, 2, len(movable))
    for size in sizes:
        for group in combinations(movable, size):
            cross = best.cross_group(group)
            search = 2.0 * max(v.search_samples for v in group)
            peaks = find_peaks(cross, best.freqs_hz, best.rate, search, RUNNERS_UP + 1)
            shifts = [p for p in peaks if p.height >= NEAR_RUNNER_UP * peaks[0].height and not _stays(p)]
            yield from (_moved(best, group, shift) for shift in shifts if _allowed(best, group, shift))


def _stays(shift: Peak) -> bool:
    return abs(shift.delay_samples) < 1.0 and shift.polarity > 0


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


@dataclass(frozen=True, slots=True)
class Answer:
    """Of one variable: height of its best peak and of the best of the other polarity, 0 for none; at_edge: the best
    lies outside the range."""

    height: float
    rival: float
    at_edge: bool


def answer_of(state: State, variable: Variable) -> Answer:
    """What speaks for a variable's value where all others are as they stand."""
    peaks = _peaks(state, variable)
    if variable.delay_samples is not None:
        return Answer(peaks[0].height, 0.0, False)  # how far it is by hand is nobody's business
    best = best_within(peaks, variable.search_samples)
    if best is None:
        return Answer(0.0, 0.0, bool(peaks))
    rival = rival_height(state.cross(variable), state.freqs_hz, state.rate, variable.search_samples, best)
    return Answer(best.height, rival, best is not peaks[0])


PLATEAU_DB = 0.0005
ROUNDS = 3


def polish(origin: State, signals: Sequence[SignalSpectra], variables: Sequence[Variable]) -> State:
    """Move each free variable to the likeliest delay on its plateau; polarities stay."""
    state = origin.copy()
    reach = [_plateau(origin, v) for v in variables]
    for _ in range(ROUNDS):
        for variable, width in zip(variables, reach, strict=True):
            rotated = isinstance(state.response(*variable.members[0]), np.ndarray)
            if variable.delay_samples is not None or width <= 0.0 or rotated:
                continue
            delay, sign = state.get(variable)
            againsts = [against_rest(signals[k], m, state.turned(k)) for k, m in variable.members]
            shift = likeliest_shift(againsts, [sign * own for _, _, own in variable.signed()], delay)
            home, _ = origin.get(variable)
            moved = float(np.clip(delay + shift, home - width, home + width))
            if abs(moved) <= variable.search_samples:
                state.put(variable, moved, sign)
    return state


def _plateau(state: State, variable: Variable) -> float:
    """Half width in samples over which the efficiency of the variable's kernels falls by at most PLATEAU_DB."""
    bend = 2.0 * curvature(state.cross(variable), state.omega, Peak(*state.get(variable), 0.0))
    loss = sum(state.efficiency(k) for k, _ in variable.members) * (1.0 - 10.0 ** (-PLATEAU_DB / 10.0))
    return float(np.sqrt(2.0 * loss / bend)) if bend > 0.0 else 0.0
