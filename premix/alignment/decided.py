"""Decisions as phase terms of the mics of one performance, and the sum efficiency that they reach."""

from collections.abc import Sequence

import numpy as np

from premix.alignment.case import Case
from premix.alignment.efficiency import measure_efficiency, phase_terms
from premix.alignment.kernel import BoolArray
from premix.alignment.rotation import rotation_response
from premix.model.alignment import Efficiency, MicDecision
from premix.model.analysis import ComplexArray


def efficiency_of(case: Case, decisions: Sequence[MicDecision], rate: int) -> Efficiency:
    """As recorded against as decided, over the close mics that are in the sum."""
    chosen, before, after = decided_terms(case, decisions, rate)
    return measure_efficiency(case.performance, case.signal, chosen, before, after)


def decided_terms(
    case: Case, decisions: Sequence[MicDecision], rate: int
) -> tuple[BoolArray, ComplexArray, ComplexArray]:
    """(M) mics in the sum, and (M, F) phase terms as recorded and as decided."""
    own = [d for d in decisions if d.performance == case.performance]
    chosen = np.array([case.close[m] and own[m].summed for m in range(len(own))])
    freqs = case.signal.freqs_hz
    zeros, ones = np.zeros(len(own)), np.ones(len(own))
    rotated = np.ones((len(own), len(freqs)), np.complex128)
    for m, decision in enumerate(own):
        if decision.rotation is not None:
            rotated[m] = rotation_response(decision.rotation, freqs, rate)
    offsets = np.array(case.offsets, np.float64)
    before = phase_terms(freqs, rate, zeros - offsets, ones)
    delays, signs = np.array([d.delay_samples for d in own]), np.array([float(d.polarity) for d in own])
    return chosen, before, phase_terms(freqs, rate, delays - offsets, signs, rotated)
