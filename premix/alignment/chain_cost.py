"""What the phase of the mics' chains costs: the same mics, solved once more as if their chains had linear phase."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from premix.alignment.case import Case, chain_response, efficiency_of
from premix.alignment.whole_song import SolvedSong
from premix.arrays import ComplexArray
from premix.model.alignment import MicDecision
from premix.model.finding import Finding
from premix.model.recipe import Recipe

COSTLY_DB = 0.3


def chain_costs(
    recipe: Recipe, cases: Sequence[Case], decisions: Sequence[MicDecision], rate: int
) -> tuple[Finding, ...]:
    """A finding for every performance whose sum would be better by more than COSTLY_DB without its chains' phase.

    What a chain only delays or turns over costs nothing: the decisions take it back.
    """
    turns = [_turns(case, rate) for case in cases]
    mics = list(
        dict.fromkeys(
            case.mics[m]
            for case, turn in zip(cases, turns, strict=True)
            for m in np.flatnonzero(case.chosen & (turn != 1.0).any(axis=1))
        )
    )
    if not mics:
        return ()
    with_db = [efficiency_of(case, decisions, rate).after_db for case in cases]
    without_db = _without_phase(recipe, cases, turns, mics, rate)
    costly = [k for k in range(len(cases)) if without_db[k] - with_db[k] > COSTLY_DB]
    if not costly:
        return ()
    alone = {mic: _without_phase(recipe, cases, turns, [mic], rate) for mic in mics}
    found = []
    for k in costly:
        worst = max(mics, key=lambda mic: alone[mic][k])
        message = (
            f"the phase of the chains costs {without_db[k] - with_db[k]:.1f} dB of sum efficiency "
            f"({with_db[k]:.1f} dB instead of {without_db[k]:.1f} dB), most of it the chain of '{worst}'"
        )
        slug = "chain-costs-efficiency"
        found.append(Finding(slug, "warning", f"{cases[k].performance}/{worst}", message))
    return tuple(found)


def _turns(case: Case, rate: int) -> ComplexArray:
    """(M, F) phase of each mic's chain, magnitude 1."""
    responses = np.stack([chain_response(s, case.signal.freqs_hz, rate) for s in case.settings])
    size = np.abs(responses)
    turns: ComplexArray = np.where(size > 0.0, responses / np.maximum(size, 1e-300), 1.0)
    return turns


def _without_phase(
    recipe: Recipe, cases: Sequence[Case], turns: Sequence[ComplexArray], mics: Sequence[str], rate: int
) -> list[float]:
    """Sum efficiency in dB that each performance reaches, solved, where the chains of `mics` leave the phase alone."""
    undone = [_undone(case, turn, mics) for case, turn in zip(cases, turns, strict=True)]
    decisions = SolvedSong(recipe, undone, rate).decisions()
    return [efficiency_of(case, decisions, rate).after_db for case in undone]


def _undone(case: Case, turns: ComplexArray, mics: Sequence[str]) -> Case:
    """The case with the phase (M, F) of some mics' chains turned back; magnitudes and what they are worth stay."""
    back = np.where(np.isin(case.mics, mics)[:, None], turns.conj(), 1.0)
    pair = back[:, None, :] * back[None, :, :].conj()
    signal = replace(case.signal, matrix=case.signal.matrix * pair, halves=case.signal.halves * pair)
    return replace(case, signal=signal)
