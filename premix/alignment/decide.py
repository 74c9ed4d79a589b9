"""The alignment stage: cross-spectra in, a decision with evidence for every mic of every performance out."""

from collections.abc import Sequence

from premix.alignment.case import Case, build_case
from premix.alignment.chain_cost import chain_costs
from premix.alignment.decided import efficiency_of
from premix.alignment.notes import findings_of
from premix.alignment.sheet import decide_from_sheet
from premix.alignment.solved import SolvedSong
from premix.model.alignment import Alignment, MicDecision
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
    findings = (*findings_of(recipe, cases, decisions, rate), *chain_costs(recipe, cases, decisions, rate))
    return _alignment(recipe, cases, decisions, findings, rate)


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
        efficiencies=tuple(efficiency_of(case, decisions, rate) for case in cases),
        findings=findings,
    )
