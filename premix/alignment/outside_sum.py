"""Mics that take no part in the sum, room mics and muted ones, placed against the aligned sum of the close mics."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from premix.alignment.case import ByHand, Case
from premix.alignment.evidence import Against, against_rest, delay_spread, halves_agreement, mean_coherence
from premix.alignment.lag import Peak, find_peaks
from premix.alignment.solver import State
from premix.arrays import ComplexArray
from premix.model.alignment import MicDecision
from premix.model.recipe import Recipe
from premix.units import ms_to_samples

CLEAR_RIVAL = 0.8
"""The other polarity's best peak must stay below this, against the winner, for a room mic's polarity to be called."""
ROOM_AGREEMENT = 0.3
"""Agreement of the halves from which a room mic is known to hear this performance; chance is near 0."""

OPPOSITE = -0.3
"""Correlation of two performances' cross-spectra below which the mic was inverted between them; chance is near 0."""


@dataclass(frozen=True, slots=True)
class Follower:
    """What was found of one mic outside the sum. peak: best answer, None without any evidence; clear: sure of its
    polarity; heard: it hears this performance at all."""

    kernel: int
    mic: int
    peak: Peak | None
    rival: float
    clear: bool
    heard: bool
    coherence: float
    chance: float
    spread_samples: float

    def decision(self, base: MicDecision, hand: ByHand) -> MicDecision:
        """Fill a decision: by hand first, then what was found; without clear evidence the mic stays as recorded."""
        found = self.peak if self.heard else None
        delay = hand.delay_samples if hand.delay_samples is not None else (found.delay_samples if found else 0.0)
        polarity = hand.polarity or (found.polarity if found and self.clear else 1)
        margin = None
        if found and self.rival > 0.0:
            margin = 20.0 * float(np.log10(found.height / self.rival))
        return replace(
            base,
            delay_samples=delay + (base.delay_samples if hand.delay_samples is None else 0.0),
            polarity=polarity,
            origin="recipe" if hand.delay_samples is not None and hand.polarity is not None else "auto",
            arrival_samples=found.delay_samples if found else None,
            margin_db=margin,
            coherence=self.coherence,
            chance=self.chance,
            spread_samples=self.spread_samples if np.isfinite(self.spread_samples) else None,
        )


def follow_sum(
    recipe: Recipe, cases: Sequence[Case], state: State, rate: int, close_search_samples: float
) -> list[Follower]:
    """Place every room mic and muted mic of every performance; room mics are pooled as the recipe says."""
    room_search = ms_to_samples(recipe.alignment.room_search_ms, rate)
    found: list[Follower] = []
    for mic in dict.fromkeys(name for case in cases for name in case.mics):
        members = [
            (k, case.index(mic))
            for k, case in enumerate(cases)
            if mic in case.mics and not case.chosen[case.index(mic)] and mic not in case.refusals
        ]
        againsts = {k: against_rest(cases[k].signal, m, state.turned(k)) for k, m in members}
        heard = {k: halves_agreement(a) >= ROOM_AGREEMENT for k, a in againsts.items()}
        search = room_search if recipe.mics[mic].role == "room" else close_search_samples
        pool = [k for k, _ in members if heard[k]] if recipe.alignment.pool else []
        crosses = {k: _even(againsts[k]) for k, _ in members} | _pooled({k: _even(againsts[k]) for k in pool})
        found += [
            _follower(k, m, againsts[k], crosses[k], heard[k], rate, search + abs(float(cases[k].filter_delays[m])))
            for k, m in members
        ]
    return found


def _pooled(crosses: dict[int, ComplexArray]) -> dict[int, ComplexArray]:
    """The sum of the cross-spectra (F) by performance, for each with its own sign: a mic that was inverted in one
    performance shows the others' phase turned over; it is turned back before the sum."""
    total = np.zeros_like(next(iter(crosses.values()), np.zeros(0, np.complex128)))
    signs = {}
    for k, cross in crosses.items():
        size = float(np.linalg.norm(cross) * np.linalg.norm(total))
        signs[k] = -1 if float(np.vdot(total, cross).real) < OPPOSITE * size else 1
        total = total + signs[k] * cross
    return {k: sign * total for k, sign in signs.items()}


def _even(against: Against) -> ComplexArray:
    """Cross-spectrum in which every band of the mic weighs by its coherence, whatever its level."""
    evened = np.zeros_like(against.cross)
    for b, part in enumerate(against.slices):
        size = float(np.abs(against.cross[part]).sum())
        if against.mask[b] and size > 0.0:
            evened[part] = against.cross[part] / size * float(np.sqrt(against.coherence[b]))
    return evened


def _within(peaks: Sequence[Peak], search: float) -> Peak | None:
    return next((p for p in peaks if abs(p.delay_samples) <= search), None)


def _follower(k: int, m: int, against: Against, cross: ComplexArray, heard: bool, rate: int, search: float) -> Follower:
    best = _within(find_peaks(cross, against.freqs_hz, rate, search), search)
    other = _within(find_peaks(cross, against.freqs_hz, rate, search, 2, -best.polarity), search) if best else None
    rival = other.height if other else 0.0
    return Follower(
        kernel=k,
        mic=m,
        peak=best,
        rival=rival,
        clear=best is not None and rival <= CLEAR_RIVAL * best.height,
        heard=heard and best is not None,
        coherence=mean_coherence(against),
        chance=1.0 / max(against.frames, 2.0),
        spread_samples=delay_spread(against, rate),
    )
