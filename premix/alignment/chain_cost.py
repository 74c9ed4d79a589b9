"""What the phase of the mics' chains costs: the same decisions, with each chain's phase undone."""

from collections.abc import Sequence

import numpy as np

from premix.alignment.case import Case, chain_response
from premix.alignment.decided import decided_terms
from premix.alignment.efficiency import measure_efficiency
from premix.alignment.kernel import BoolArray
from premix.messages.chain import SLUGS
from premix.model.alignment import MicDecision
from premix.model.analysis import ComplexArray
from premix.model.finding import Finding

COSTLY_DB = 0.3


def chain_costs(cases: Sequence[Case], decisions: Sequence[MicDecision], rate: int) -> tuple[Finding, ...]:
    """A finding for every performance whose sum would be better by more than COSTLY_DB without the chains' phase."""
    found = []
    for case in cases:
        turns = _turns(case, rate)
        if (turns == 1.0).all():
            continue
        chosen, _, after = decided_terms(case, decisions, rate)
        with_db = _after_db(case, chosen, after)
        # The matrix holds the chains' phase already; its conjugate in the terms takes it out.
        costs = [_after_db(case, chosen, _undone(after, turns, [m])) - with_db for m in range(len(turns))]
        cost = _after_db(case, chosen, _undone(after, turns, list(range(len(turns))))) - with_db
        if cost > COSTLY_DB:
            worst = case.mics[int(np.argmax(costs))]
            message = (
                f"the phase of the chains costs {cost:.1f} dB of sum efficiency ({with_db:.1f} dB instead of "
                f"{with_db + cost:.1f} dB), most of it the chain of '{worst}'"
            )
            slug = "chain-costs-efficiency"
            found.append(Finding(slug, "warning", f"{case.performance}/{worst}", message, SLUGS[slug]))
    return tuple(found)


def _turns(case: Case, rate: int) -> ComplexArray:
    """(M, F) phase of each mic's chain, magnitude 1."""
    responses = np.stack([chain_response(s, case.signal.freqs_hz, rate) for s in case.settings])
    size = np.abs(responses)
    turns: ComplexArray = np.where(size > 0.0, responses / np.maximum(size, 1e-300), 1.0)
    return turns


def _undone(terms: ComplexArray, turns: ComplexArray, mics: list[int]) -> ComplexArray:
    """Terms (conjugate phases) with the chains of some mics turned back."""
    undone = terms.copy()
    undone[mics] *= turns[mics]
    return undone


def _after_db(case: Case, chosen: BoolArray, terms: ComplexArray) -> float:
    return measure_efficiency(case.performance, case.signal, chosen, terms, terms).after_db
