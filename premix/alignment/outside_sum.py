"""Mics that take no part in the sum, room mics and muted ones, placed against the aligned sum of the close mics."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from premix.alignment.case import Case, as_recorded
from premix.alignment.evidence import Against, against_rest, delay_spread, halves_agreement, mean_coherence
from premix.alignment.lag import best_within, find_peaks, rival_height
from premix.alignment.lateness import FINE_SEARCH_MS
from premix.alignment.solver import State
from premix.arrays import ComplexArray
from premix.model.alignment import MicDecision
from premix.model.settings import AlignmentSettings
from premix.units import ms_to_samples

CLEAR_RIVAL = 0.8
"""The other polarity's best peak must stay below this, against the winner, for a room mic's polarity to be called."""
ROOM_AGREEMENT = 0.3
"""Agreement of the halves from which a room mic is known to hear this performance; chance is near 0."""
OPPOSITE = -0.3
"""Correlation of two performances' cross-spectra below which the mic was inverted between them; chance is near 0."""
Outside = dict[tuple[int, int], MicDecision]
"""Decisions by case and mic."""


def decide_outside(settings: AlignmentSettings, cases: Sequence[Case], state: State, reference: str) -> Outside:
    """Place every room mic and muted mic of every performance; room mics are pooled as the recipe says."""
    found: Outside = {}
    for name in dict.fromkeys(mic.name for case in cases for mic in case.mics):
        places = [(k, case.index(name)) for k, case in enumerate(cases) if name not in case.refusals]
        members = {k: m for k, m in places if m is not None and not cases[k].chosen[m]}
        againsts = {k: against_rest(cases[k].signal, m, state.turned(k)) for k, m in members.items()}
        heard = {k: halves_agreement(against) >= ROOM_AGREEMENT for k, against in againsts.items()}
        is_room = any(cases[k].mics[m].is_room for k, m in members.items())
        search_ms = settings.room_search_ms if is_room else min(settings.search_ms, FINE_SEARCH_MS)
        crosses = {k: _even(against) for k, against in againsts.items()}
        if settings.pool:
            crosses |= _pooled({k: cross for k, cross in crosses.items() if heard[k]})
        for k, m in members.items():
            search = ms_to_samples(search_ms, state.rate) + abs(float(cases[k].filter_delays[m]))
            found[k, m] = _decision(cases[k], againsts[k], crosses[k], heard[k], search, reference)
    return found


def _decision(
    case: Case, against: Against, cross: ComplexArray, heard: bool, search: float, reference: str
) -> MicDecision:
    """By hand first, then what was found; without clear evidence the mic stays as recorded."""
    signal, m = against.signal, against.m
    best = best_within(find_peaks(cross, signal.freqs_hz, signal.rate, search), search) if heard else None
    hand = case.by_hand[m]
    spread = delay_spread([against])
    decision = replace(
        as_recorded(case.mics[m], reference),
        delay_samples=float(case.offsets[m]) if hand.delay_samples is None else hand.delay_samples,
        polarity=hand.polarity or 1,
        origin="recipe" if hand.all else "auto",
        coherence=mean_coherence(against),
        chance=signal.chance,
        spread_samples=spread if np.isfinite(spread) else None,
    )
    if best is None:
        return decision
    rival = rival_height(cross, signal.freqs_hz, signal.rate, search, best)
    clear = rival <= CLEAR_RIVAL * best.height
    return replace(
        decision,
        delay_samples=decision.delay_samples + (best.delay_samples if hand.delay_samples is None else 0.0),
        polarity=hand.polarity or (best.polarity if clear else 1),
        arrival_samples=best.delay_samples,
        margin_db=20.0 * float(np.log10(best.height / rival)) if rival > 0.0 else None,
        polarity_clear=clear,
    )


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
    for b, part in enumerate(against.signal.slices):
        size = float(np.abs(against.cross[part]).sum())
        if against.signal.mask[against.m, b] and size > 0.0:
            evened[part] = against.cross[part] / size * float(np.sqrt(against.coherence[b]))
    return evened
