"""The alignment stage: cross-spectra in, a decision with evidence for every mic of every performance out."""

from collections.abc import Sequence

import numpy as np

from premix.alignment.case import Case, build_case
from premix.alignment.efficiency import measure_efficiency, phase_terms
from premix.alignment.notes import findings_of
from premix.alignment.rotation import rotation_response
from premix.alignment.sheet import decide_from_sheet
from premix.alignment.solved import SolvedSong
from premix.model.alignment import Alignment, Efficiency, MicDecision
from premix.model.analysis import Analysis
from premix.model.finding import Finding
from premix.model.recipe import Recipe
from premix.model.sheet import Sheet


def align(recipe: Recipe, analysis: Analysis, sheet: Sheet | None = None) -> Alignment:
    """Decide polarity and delay of every mic, or refuse. Never raises for what the audio holds.

    sheet: decisions to take instead (checked against the tracks by `check_sheet`); the evidence is not sought then.
    """
    cases = [build_case(recipe, analysis, s.performance) for s in analysis.spectra]
    rate = analysis.rate
    if sheet is not None:
        return _from_sheet(recipe, cases, analysis, sheet)
    while True:
        solved = SolvedSong(recipe, cases, rate)
        refused = solved.refusals()
        if not refused:
            break
        for case, mic, slug in refused:
            case.trusted[case.index(mic)] = False
            case.refusals[mic] = slug
    decisions = solved.decisions()
    return _alignment(recipe, cases, decisions, findings_of(recipe, cases, decisions, rate), rate)


def _from_sheet(recipe: Recipe, cases: Sequence[Case], analysis: Analysis, sheet: Sheet) -> Alignment:
    as_recorded = [
        MicDecision(
            case.performance, mic, settings.role, recipe.reference_mic(), 0.0, 1, "sheet", not settings.mute,
            coherence=float(case.coherence[m]) if case.close[m] else None,
        )
        for case in cases
        for m, (mic, settings) in enumerate(zip(case.mics, case.settings, strict=True))
    ]
    decisions, findings = decide_from_sheet(sheet, as_recorded, analysis)
    return _alignment(recipe, cases, decisions, tuple(findings), analysis.rate)


def _alignment(
    recipe: Recipe, cases: Sequence[Case], decisions: Sequence[MicDecision], findings: tuple[Finding, ...], rate: int
) -> Alignment:
    return Alignment(
        rate=rate,
        reference=recipe.reference_mic(),
        decisions=tuple(decisions),
        efficiencies=tuple(_efficiency(case, decisions, rate) for case in cases),
        findings=findings,
    )


def _efficiency(case: Case, decisions: Sequence[MicDecision], rate: int) -> Efficiency:
    """As recorded against as decided, over the close mics that are in the sum."""
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
    after = phase_terms(freqs, rate, delays - offsets, signs, rotated)
    return measure_efficiency(case.performance, case.signal, chosen, before, after)
