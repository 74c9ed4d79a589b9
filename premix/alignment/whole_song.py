"""Which performances share one delay for a mic: those that agree; a mic that was moved keeps its own.

A mic inverted in one performance did not move: it shares the delay, with a sign of its own.

All performances of a song solved: each alone, then what agrees together, then a decision with its evidence.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from premix.alignment.case import FINE_SEARCH_MS, Case
from premix.alignment.evidence import against_rest, delay_spread, information
from premix.alignment.kernel import HIGH_HZ, build_kernel
from premix.alignment.outside_sum import follow_sum
from premix.alignment.rotation import find_rotations
from premix.alignment.solver import Solution, State, Variable, polish, solve, solve_from
from premix.arrays import ComplexArray
from premix.model.alignment import AllPass, MicDecision
from premix.model.recipe import Recipe
from premix.units import ms_to_samples, power_to_db

CLOSE_TOLERANCE_S = 25e-6
"""Answers of one set-up differ by less than this (9 mm) when other notes were played: by 2 us for broadband mics,
up to 12 us for coloured ones."""
SUB_TOLERANCE_S = 120e-6
"""The same for a sub mic, whose band is low and narrow."""
SPREADS = 4.0
"""Standard deviations that the noise of two estimates may set them apart."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """What one performance alone says of a mic."""

    kernel: int
    mic: int
    delay_samples: float
    polarity: int
    spread_samples: float


def agreeing(estimates: Sequence[Estimate], tolerance_samples: float) -> list[Estimate]:
    """The largest set of estimates whose delays agree within the tolerance and their own spreads.

    With no two in agreement the result holds at most one estimate: nothing is pooled.
    """
    best: list[Estimate] = []
    for centre in estimates:
        near = [
            e
            for e in estimates
            if abs(e.delay_samples - centre.delay_samples) <= _tolerance(e, centre, tolerance_samples)
        ]
        key = (len(near), -_scatter(near))
        if not best or key > (len(best), -_scatter(best)):
            best = near
    return best


def _tolerance(a: Estimate, b: Estimate, floor_samples: float) -> float:
    noise = SPREADS * float(np.hypot(a.spread_samples, b.spread_samples))
    return max(floor_samples, noise if np.isfinite(noise) else floor_samples)


def _scatter(estimates: Sequence[Estimate]) -> float:
    return float(np.std([e.delay_samples for e in estimates])) if estimates else 0.0


def tolerance_samples(is_sub: bool, rate: int) -> float:
    """How far apart estimates of one set-up may be, in samples."""
    return (SUB_TOLERANCE_S if is_sub else CLOSE_TOLERANCE_S) * rate


MAX_RIVAL = 0.97
"""A best peak of the other polarity this high, against the winner, leaves no clear winner."""


class SolvedSong:
    """All performances of a song, solved: each alone, then what agrees together."""

    def __init__(self, recipe: Recipe, cases: Sequence[Case], rate: int) -> None:
        self._recipe, self._cases, self._rate = recipe, cases, rate
        self._reference = recipe.reference_mic()
        self._search = min(ms_to_samples(recipe.alignment.search_ms, rate), ms_to_samples(FINE_SEARCH_MS, rate))
        self._kernels = [build_kernel(c.signal, c.signal.matrix, c.chosen, HIGH_HZ) for c in cases]
        self._alone = [self._solve_alone(k) for k in range(len(cases))]
        self._estimates = {(k, m): estimate for k in range(len(cases)) for m, estimate in self._estimate(k).items()}
        self._pooled: dict[tuple[int, int], Variable] = {}
        self._solution = self._solve_together()
        self._followers = {
            (f.kernel, f.mic): f for f in follow_sum(recipe, cases, self._solution.state, self._rate, self._search)
        }

    def _anchor(self, k: int) -> int | None:
        """The mic that stays: the reference, or where it is out of the sum the first mic in it."""
        case = self._cases[k]
        chosen = np.flatnonzero(case.chosen).tolist()
        if self._reference in case.mics and case.index(self._reference) in chosen:
            return case.index(self._reference)
        return chosen[0] if chosen else None

    def _start(self, kernels: Sequence[int]) -> State:
        state = State([self._kernels[k] for k in kernels], self._rate)
        for row, k in enumerate(kernels):
            anchor = self._anchor(k)
            if anchor is not None:
                hand = self._cases[k].by_hand[anchor]
                state.put(Variable(((row, anchor),), 0.0), 0.0, hand.polarity or 1)
        return state

    def _free(self, k: int) -> list[int]:
        """Mics of a performance whose delay or polarity is to be solved (or is given by hand)."""
        return [m for m in np.flatnonzero(self._cases[k].chosen).tolist() if m != self._anchor(k)]

    def _variable(self, row: int, k: int, m: int) -> Variable:
        """The unknown of one mic alone, as kernel `row`; what its filters delay comes on top of the search."""
        case = self._cases[k]
        hand, anchor = case.by_hand[m], self._anchor(k)
        filters = abs(float(case.filter_delays[m] - case.filter_delays[anchor])) if anchor is not None else 0.0
        return Variable(((row, m),), self._search + filters, hand.polarity, hand.delay_samples)

    def _shared(self, members: Sequence[Estimate]) -> Variable:
        """One unknown for the estimates of one mic in several performances, each with its own polarity."""
        own = [self._variable(e.kernel, e.kernel, e.mic) for e in members]
        return replace(
            own[0],
            members=tuple(pair for v in own for pair in v.members),
            search_samples=max(v.search_samples for v in own),
            signs=tuple(e.polarity * members[0].polarity for e in members),
        )

    def _solve_alone(self, k: int) -> Solution:
        variables = [self._variable(0, k, m) for m in self._free(k)]
        solution = solve([self._kernels[k]], self._rate, variables, self._start([k]))
        state = polish(solution.state, [self._cases[k].signal], variables)
        return Solution(state, solution.total, solution.heights, solution.at_edge)

    def _estimate(self, k: int) -> dict[int, Estimate]:
        state = self._alone[k].state
        turned = state.turned(0)
        signal = self._cases[k].signal
        return {
            m: Estimate(
                k,
                m,
                float(state.delays[0, m]),
                int(state.signs[0, m]),
                delay_spread(against_rest(signal, m, turned), self._rate),
            )
            for m in self._free(k)
        }

    def _solve_together(self) -> Solution:
        """One variable for the performances that agree about a mic, own ones for the rest."""
        groups: dict[tuple[str, object], list[Estimate]] = {}
        for (k, m), estimate in self._estimates.items():
            case = self._cases[k]
            pooled = self._recipe.alignment.pool
            key = (case.mics[m], case.by_hand[m] if pooled else k)
            groups.setdefault(key, []).append(estimate)
        variables: list[Variable] = []
        start = self._start(range(len(self._cases)))
        for (mic, _), estimates in groups.items():
            is_sub = self._recipe.mics[mic].role == "sub"
            together = agreeing(estimates, tolerance_samples(is_sub, self._rate))
            for members in ([together] if len(together) > 1 else []) + [
                [e] for e in estimates if len(together) < 2 or e not in together
            ]:
                variable = self._shared(members)
                variables.append(variable)
                for pair in variable.members:
                    self._pooled[pair] = variable
        for variable in variables:
            mine = [self._estimates[pair] for pair in variable.members]
            start.put(variable, float(np.median([e.delay_samples for e in mine])), mine[0].polarity)
        solution = solve_from(variables, start)
        state = polish(solution.state, [c.signal for c in self._cases], variables)
        self._variables = variables
        self._rotations: dict[Variable, AllPass] = {}
        if self._recipe.alignment.rotate == "auto":
            rotated, self._rotations = find_rotations(state, variables)
            solution = solve_from(variables, rotated)
            state = solution.state
        return Solution(state, solution.total, solution.heights, solution.at_edge)

    def refusals(self) -> list[tuple[Case, str, str]]:
        """Mics whose answer lies at the edge of the search or has no clear winner (those by hand excepted)."""
        found = []
        for variable, (height, rival), at_edge in zip(
            self._variables, self._solution.heights, self._solution.at_edge, strict=True
        ):
            for k, m in variable.members:
                case = self._cases[k]
                if variable.delay_samples is not None and variable.polarity is not None:
                    continue
                if at_edge:
                    found.append((case, case.mics[m], "alignment-edge"))
                elif height <= 0.0 or (rival > MAX_RIVAL * height and variable.polarity is None):
                    found.append((case, case.mics[m], "alignment-ambiguous"))
        return found

    def decisions(self) -> list[MicDecision]:
        """One decision for every mic of every performance, in the order of the mics."""
        return [self._decision(k, m) for k, case in enumerate(self._cases) for m in range(len(case.mics))]

    def _decision(self, k: int, m: int) -> MicDecision:
        case = self._cases[k]
        settings, hand, mic = case.settings[m], case.by_hand[m], case.mics[m]
        base = MicDecision(
            performance=case.performance,
            mic=mic,
            role=settings.role,
            reference=self._reference,
            delay_samples=float(case.offsets[m]),
            polarity=1,
            origin="auto",
            summed=not settings.mute,
        )
        by_hand = hand.delay_samples is not None and hand.polarity is not None
        if mic in case.refusals and not by_hand:
            return _refused(base, case, m, self._recipe)
        if (k, m) in self._followers:
            return self._followers[k, m].decision(base, hand)
        if hand.delay_samples is not None and hand.polarity is not None:
            return replace(
                base,
                delay_samples=hand.delay_samples,
                polarity=hand.polarity,
                origin="recipe",
                coherence=float(case.coherence[m]),
            )
        state = self._solution.state
        return replace(
            base,
            delay_samples=float(state.delays[k, m]) + case.offsets[m],
            polarity=int(state.signs[k, m]) or 1,
            arrival_samples=float(state.delays[k, m]) + case.offsets[m],
            rotation=self._rotations.get(self._pooled[k, m]) if (k, m) in self._pooled else None,
            **self._evidence(k, m),
        )

    def _evidence(self, k: int, m: int) -> dict[str, Any]:
        case = self._cases[k]
        state = self._solution.state
        own = against_rest(case.signal, m, state.turned(k))
        evidence: dict[str, Any] = {"coherence": float(case.coherence[m]), "chance": 1.0 / max(case.signal.frames, 2.0)}
        variable = self._pooled.get((k, m))
        if variable is None:
            return evidence
        index = self._variables.index(variable)
        height, rival = self._solution.heights[index]
        before = sum(state.efficiency(i) for i, _ in variable.members)
        after = before - 2.0 * height + 2.0 * rival
        evidence["margin_db"] = power_to_db(before) - power_to_db(max(after, before * 1e-6))
        total = sum(
            float(information(against_rest(self._cases[i].signal, j, state.turned(i)), self._rate).sum())
            for i, j in variable.members
        )
        evidence["spread_samples"] = 1.0 / np.sqrt(total) if total > 0 else None
        evidence["halves_samples"] = self._halves(k, m, own.halves)
        evidence["moved_samples"] = self._moved(k, m)
        return evidence

    def _halves(self, k: int, m: int, halves: ComplexArray) -> float | None:
        """Difference of the delays that the two halves of the take ask for, one Newton step from the answer."""
        state = self._solution.state
        omega = 2.0 * np.pi * self._cases[k].signal.freqs_hz / self._rate
        kernel = np.abs(self._kernels[k].matrix[m]).sum(axis=0) > 0
        answers = []
        for half in halves:
            turned = state.signs[k, m] * half * kernel * state.response(k, m) * np.exp(1j * omega * state.delays[k, m])
            bend = float(np.dot(omega**2, turned.real))
            if bend <= 0:
                return None
            answers.append(-float(np.dot(omega, turned.imag)) / bend)
        return abs(answers[0] - answers[1])

    def _moved(self, k: int, m: int) -> float | None:
        """Distance of this performance's answer from the pooled one, when it was not part of the pool."""
        mic = self._cases[k].mics[m]
        others = [(i, j) for (i, j) in self._pooled if self._cases[i].mics[j] == mic and (i, j) != (k, m)]
        if len(self._pooled[k, m].members) > 1 or not others or not self._recipe.alignment.pool:
            return None
        majority = max((self._pooled[pair] for pair in others), key=lambda v: len(v.members))
        i, j = majority.members[0]
        return float(self._solution.state.delays[k, m] - self._solution.state.delays[i, j])


def _refused(base: MicDecision, case: Case, m: int, recipe: Recipe) -> MicDecision:
    """A refused mic stays as recorded; the recipe says whether it stays in the sum."""
    return replace(
        base,
        delay_samples=0.0,
        origin="refused",
        summed=base.summed and recipe.alignment.refused == "keep",
        coherence=float(case.coherence[m]),
        chance=1.0 / max(case.signal.frames, 2.0),
        refusal=case.refusals[case.mics[m]],
    )
