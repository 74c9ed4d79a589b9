"""All performances of a song: each solved alone, then what agrees together, then every mic's decision and evidence.

Performances that agree about a mic share one delay; a mic that was moved keeps its own. A mic that is inverted in one
performance did not move: it shares the delay, with a sign of its own.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from premix.alignment.agreement import TOLERANCES_S, Estimate, agreeing
from premix.alignment.case import Case, as_recorded
from premix.alignment.evidence import against_rest, delay_spread
from premix.alignment.kernel import build_kernel
from premix.alignment.lateness import FINE_SEARCH_MS, LATE_MS, better_place, in_common, is_clear
from premix.alignment.outside_sum import decide_outside
from premix.alignment.rotation import find_rotations
from premix.alignment.solver import Answer, State, Variable, answer_of, ascend, polish, solve
from premix.arrays import ComplexArray
from premix.model.alignment import AllPass, MicDecision
from premix.model.settings import AlignmentSettings
from premix.model.song import Song
from premix.units import ms_to_samples, power_to_db

MAX_RIVAL = 0.97
"""A best peak of the other polarity this high, against the winner, leaves no clear winner."""


def solve_song(song: Song, cases: Sequence[Case]) -> "SolvedSong":
    """Solve each performance alone, pool what agrees, and solve all together from where each alone has put the mics.

    cases: one a performance. What speaks for an answer is judged before it is polished.
    """
    search = _Search(song, cases)
    estimates = [estimate for k in range(len(cases)) for estimate in search.alone(k)]
    state = search.start(range(len(cases)))
    pooled: dict[tuple[int, int], Variable] = {}
    for members in search.agreed(estimates):
        variable = search.variable(members)
        pooled |= dict.fromkeys(variable.members, variable)
        state.put(variable, float(np.median([e.delay_samples for e in members])), members[0].polarity)
    variables = list(dict.fromkeys(pooled.values()))
    solved = ascend(state, variables)
    state = polish(solved, [case.signal for case in cases], variables)
    rotations: dict[Variable, AllPass] = {}
    if song.alignment.rotate == "auto":
        rotated, rotations = find_rotations(state, variables)
        solved = state = ascend(rotated, variables)
    answers = {variable: answer_of(solved, variable) for variable in variables}
    return SolvedSong(song.alignment, cases, search, state, pooled, rotations, answers)


class _Search:
    """What is looked for in a song: its kernels, the mics that stay, and how far and with what by hand."""

    def __init__(self, song: Song, cases: Sequence[Case]) -> None:
        self._cases, self._rate, self._settings = cases, song.rate, song.alignment
        self._reach_samples = ms_to_samples(min(song.alignment.search_ms, FINE_SEARCH_MS), song.rate)
        self._kernels = [build_kernel(case.signal, case.chosen) for case in cases]
        self._anchors = [self._anchor(case) for case in cases]

    def anchor(self, k: int) -> int | None:
        """The mic of a performance that stays."""
        return self._anchors[k]

    def _anchor(self, case: Case) -> int | None:
        """The mic that stays: the reference, or where it is out of the sum the first mic in it."""
        reference = case.index(case.reference)
        if reference is not None and case.chosen[reference]:
            return reference
        chosen = np.flatnonzero(case.chosen)
        return next(iter([*np.intersect1d(chosen, case.signal.partners).tolist(), *chosen.tolist()]), None)

    def start(self, kernels: Sequence[int]) -> State:
        """Only the mics that stay are in the sum."""
        state = State([self._kernels[k] for k in kernels], self._rate)
        for row, k in enumerate(kernels):
            anchor = self._anchors[k]
            if anchor is not None:
                state.put(Variable(((row, anchor),), 0.0), 0.0, self._cases[k].by_hand[anchor].polarity or 1)
        return state

    def _delay_by_hand(self, k: int, m: int) -> float | None:
        """The delay that the recipe fixes, on top of what the mic was read ahead."""
        hand = self._cases[k].by_hand[m].delay_samples
        return None if hand is None else hand - self._cases[k].offsets[m]

    def search_of(self, k: int, m: int) -> float:
        """How far a mic is looked for, in samples, around where it was read."""
        return self._reach_samples + self.beyond_of(k, m)

    def beyond_of(self, k: int, m: int) -> float:
        """What a mic's filters delay, in samples, which comes on top of every search."""
        filters, anchor = self._cases[k].filter_delays, self._anchors[k]
        return abs(float(filters[m] - filters[anchor])) if anchor is not None else 0.0

    def alone(self, k: int) -> Iterator[Estimate]:
        """What one performance says of its mics in the sum, but for the one that stays."""
        case, signal = self._cases[k], self._cases[k].signal
        free = [m for m in np.flatnonzero(case.chosen).tolist() if m != self._anchors[k]]
        variables = [
            Variable(((0, m),), self.search_of(k, m), case.by_hand[m].polarity, self._delay_by_hand(k, m)) for m in free
        ]
        state = polish(solve(variables, self.start([k])), [signal], variables)
        for m in free:
            spread = delay_spread([against_rest(signal, m, state.turned(0))])
            yield Estimate(k, m, float(state.delays[0, m]), int(state.signs[0, m]), spread)

    def agreed(self, estimates: Sequence[Estimate]) -> Iterator[list[Estimate]]:
        """The estimates that share one delay, and each of the rest by itself."""
        groups: dict[tuple[str, object], list[Estimate]] = {}
        for e in estimates:
            case = self._cases[e.kernel]
            own = (case.by_hand[e.mic], case.offsets[e.mic]) if self._settings.pool else e.kernel
            key = (case.mics[e.mic].name, (case.reference, own))
            groups.setdefault(key, []).append(e)
        for found in groups.values():
            first = found[0]
            role = self._cases[first.kernel].mics[first.mic].role
            together = agreeing(found, TOLERANCES_S[role] * self._rate)
            if len(together) > 1:
                yield together
            yield from ([e] for e in found if len(together) < 2 or e not in together)

    def variable(self, members: Sequence[Estimate]) -> Variable:
        """One unknown for the estimates of one mic in several performances, each with its own polarity."""
        first = members[0]
        return Variable(
            tuple((e.kernel, e.mic) for e in members),
            max(self.search_of(e.kernel, e.mic) for e in members),
            self._cases[first.kernel].by_hand[first.mic].polarity,
            self._delay_by_hand(first.kernel, first.mic),
            tuple(e.polarity * members[0].polarity for e in members),
        )


@dataclass(frozen=True, slots=True)
class SolvedSong:
    """The answers for every performance of a song, and what speaks for them.

    search: how they were looked for. state: the mics as they are put. pooled: (performance, mic) -> the unknown that it
    shares. rotations, answers: of the unknowns.
    """

    settings: AlignmentSettings
    cases: Sequence[Case]
    search: _Search
    state: State
    pooled: dict[tuple[int, int], Variable]
    rotations: dict[Variable, AllPass]
    answers: dict[Variable, Answer]

    def refusals(self) -> Iterator[tuple[Case, str, str]]:
        """Mics whose answer lies at the edge of the search or has no clear winner (those by hand excepted), or is later
        than may be without being asked for."""
        for variable, answer in self.answers.items():
            if variable.by_hand:
                continue
            no_winner = answer.rival > MAX_RIVAL * answer.height and variable.polarity is None
            if answer.at_edge or answer.height <= 0.0 or no_winner:
                slug = "alignment-edge" if answer.at_edge else "alignment-ambiguous"
                yield from ((self.cases[k], self.cases[k].mics[m].name, slug) for k, m in variable.members)
        yield from self._late_refusals()

    def starts(self) -> dict[int, dict[int, int]]:
        """Of every performance that has mics which fit better out of step: whole samples by mic to read them ahead."""
        starts: dict[tuple[str, str], float] = {}
        for k, case in enumerate(self.cases):
            free = [m for m in np.flatnonzero(case.chosen).tolist() if case.by_hand[m].delay_samples is None]
            movable = [m for m in free if m != self.search.anchor(k)]
            found = better_place(self.state, k, movable, [m for m in movable if case.by_hand[m].polarity is not None])
            if found is not None:
                late = {case.mics[m].name: self._late(k, m) for m in found.mics}
                starts |= {(case.performance, name): start + found.shift_samples for name, start in late.items()}
        ahead = in_common(starts, self.state.rate)
        return {
            k: {m: ahead[case.performance, name] for m, name in enumerate(case.signal.mics) if name in own}
            for k, case in enumerate(self.cases)
            if (own := {name for performance, name in ahead if performance == case.performance})
        }

    def late(self) -> Iterator[tuple[int, int, float]]:
        """Performance, mic and samples of every mic that was found outside the search."""
        search = ms_to_samples(self.settings.search_ms, self.state.rate)
        for k, m in self.pooled:
            late = self._late(k, m)
            by_hand = self.cases[k].by_hand[m].delay_samples is not None
            if not by_hand and abs(late) > search + self.search.beyond_of(k, m):
                yield k, m, late

    def _late_refusals(self) -> Iterator[tuple[Case, str, str]]:
        most = ms_to_samples(max(LATE_MS, self.settings.search_ms), self.state.rate)
        for k, m, late in self.late():
            if abs(late) > most + self.search.beyond_of(k, m) or not is_clear(self.state, k, m):
                yield self.cases[k], self.cases[k].mics[m].name, "alignment-late"

    def _late(self, k: int, m: int) -> float:
        """How much later than the reference a mic of the sum hears the guitar, in samples of its track as recorded."""
        return float(self.state.delays[k, m]) + self.cases[k].offsets[m]

    def decisions(self) -> list[list[MicDecision]]:
        """For every performance, one decision a mic, in the order of its case."""
        outside = decide_outside(self.settings, self.cases, self.state)
        return [
            [outside.get((k, m)) or self._decision(k, m) for m in range(len(case.mics))]
            for k, case in enumerate(self.cases)
        ]

    def _decision(self, k: int, m: int) -> MicDecision:
        """Of a mic that is in the sum, or refused."""
        case = self.cases[k]
        mic, hand, coherence = case.mics[m], case.by_hand[m], float(case.coherence[m])
        recorded = replace(as_recorded(mic, case.reference), coherence=coherence)
        if hand.delay_samples is not None and hand.polarity is not None:
            return replace(recorded, delay_samples=hand.delay_samples, polarity=hand.polarity, origin="recipe")
        recorded = replace(recorded, chance=case.signal.chance)
        if mic.name in case.refusals:
            # It stays as recorded; the recipe says whether it stays in the sum.
            summed = recorded.summed and self.settings.refused == "keep"
            slug, late = case.refusals[mic.name], case.late.get(mic.name)
            return replace(recorded, origin="refused", summed=summed, refusal=slug, arrival_samples=late)
        delay = self._late(k, m)
        sign = int(self.state.signs[k, m]) or 1
        decision = replace(recorded, delay_samples=delay, polarity=sign, arrival_samples=delay)
        return self._with_evidence(decision, k, m) if (k, m) in self.pooled else decision

    def _with_evidence(self, decision: MicDecision, k: int, m: int) -> MicDecision:
        state, variable = self.state, self.pooled[k, m]
        answer = self.answers[variable]
        before = sum(state.efficiency(i) for i, _ in variable.members)
        after = before - 2.0 * answer.height + 2.0 * answer.rival
        againsts = {(i, j): against_rest(self.cases[i].signal, j, state.turned(i)) for i, j in variable.members}
        spread = delay_spread(againsts.values())
        return replace(
            decision,
            rotation=self.rotations.get(variable),
            margin_db=power_to_db(before) - power_to_db(max(after, before * 1e-6)),
            spread_samples=spread if np.isfinite(spread) else None,
            halves_samples=self._halves(k, m, againsts[k, m].halves()),
            moved_samples=self._moved(k, m),
        )

    def _halves(self, k: int, m: int, halves: ComplexArray) -> float | None:
        """Difference of the delays that the two halves of the take ask for, one Newton step from the answer."""
        state, omega = self.state, self.state.omega
        kernel = np.abs(state.kernels[k].row(m)).sum(axis=0) > 0
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
        case, own = self.cases[k], self.pooled[k, m]
        like = [(i, j) for i, j in self.pooled if self.cases[i].reference == case.reference]
        same = (self.pooled[i, j] for i, j in like if self.cases[i].mics[j].name == case.mics[m].name)
        others = [variable for variable in same if variable is not own]
        if len(own.members) > 1 or not others or not self.settings.pool:
            return None
        i, j = max(others, key=lambda v: len(v.members)).members[0]
        return self._late(k, m) - self._late(i, j)
