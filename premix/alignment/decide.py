"""Findings of the alignment: refusals with the recipe line to write by hand, moved mics, unclear rooms.

The alignment stage: cross-spectra in, a decision with evidence for every mic of every performance out.
"""

from collections.abc import Iterator, Sequence

from premix.alignment.case import Case, build_case, efficiency_of
from premix.alignment.chain_cost import chain_costs
from premix.alignment.sheet import decide_from_sheet
from premix.alignment.whole_song import SolvedSong
from premix.model.alignment import Alignment, MicDecision, Sheet
from premix.model.analysis import Analysis
from premix.model.finding import Finding
from premix.model.recipe import Recipe
from premix.units import samples_to_cm, samples_to_ms


def findings_of(
    recipe: Recipe, cases: Sequence[Case], decisions: Sequence[MicDecision], rate: int
) -> tuple[Finding, ...]:
    """Everything the user should know about the decisions, in their order."""
    findings: list[Finding] = []
    for decision in decisions:
        if decision.refusal is not None:
            findings.append(_refusal(recipe, decision))
        elif decision.moved_samples is not None:
            findings.append(_moved(recipe, decision, rate))
        elif decision.role == "room" and decision.arrival_samples is None and decision.summed:
            findings.append(
                _finding(
                    "alignment-room-unclear",
                    "warning",
                    decision,
                    f"coherence with the close mics {decision.coherence or 0.0:.2f} is at chance; kept as recorded",
                )
            )
        elif decision.role == "room" and decision.origin == "auto" and _unclear(decision, recipe):
            findings.append(
                _finding(
                    "alignment-room-polarity",
                    "info",
                    decision,
                    f"the best answer of the other polarity is only {decision.margin_db or 0.0:.1f} dB lower; "
                    "polarity kept as recorded",
                )
            )
    findings.extend(_inverted(recipe, decisions))
    findings.extend(_reference(recipe, cases, decisions))
    return tuple(findings)


def _finding(slug: str, severity: str, decision: MicDecision, message: str) -> Finding:
    return Finding(slug, severity, decision.name, message)  # type: ignore[arg-type]


def _unclear(decision: MicDecision, recipe: Recipe) -> bool:
    by_hand = recipe.mic_in(decision.performance, decision.mic).polarity != "auto"
    return not by_hand and decision.margin_db is not None and decision.margin_db < 1.94


OUTCOMES = {"stop": "render stops", "mute": "left out of the sum", "keep": "summed as recorded"}
_REASONS = {
    "alignment-silent": "the track is silent",
    "alignment-incoherent": "it does not hear the same performance as the reference",
    "alignment-edge": "the best answer lies at the edge of the search",
    "alignment-ambiguous": "both polarities fit equally well",
    "alignment-offset": "no start offset was found that makes it fit",
}


def _refusal(recipe: Recipe, decision: MicDecision) -> Finding:
    muted = recipe.mic_in(decision.performance, decision.mic).mute
    outcome = "muted by the recipe anyway" if muted else OUTCOMES[recipe.alignment.refused]
    stops = recipe.alignment.refused == "stop" and not muted
    evidence = f" (coherence {decision.coherence:.2f})" if decision.coherence is not None else ""
    return _finding(
        decision.refusal or "",
        "error" if stops else "warning",
        decision,
        f"{_REASONS[decision.refusal or '']}{evidence}: {outcome}; by hand: "
        f"performances: {{{decision.performance}: {{mics: {{{decision.mic}: {{polarity: normal, delay: none}}}}}}}}",
    )


def _moved(recipe: Recipe, decision: MicDecision, rate: int) -> Finding:
    moved = decision.moved_samples or 0.0
    mm = 10.0 * samples_to_cm(moved, rate, recipe.alignment.temperature_c)
    return _finding(
        "alignment-moved",
        "warning",
        decision,
        f"differs from the other performances by {moved:+.2f} samples ({samples_to_ms(moved, rate):+.3f} ms, "
        f"{mm:+.0f} mm); it has its own delay here",
    )


def _inverted(recipe: Recipe, decisions: Sequence[MicDecision]) -> Iterator[Finding]:
    """Mics that are inverted in some performances only: a switch or a cable, not the set-up."""
    found = [d for d in decisions if d.origin == "auto" and d.arrival_samples is not None]
    found = [d for d in found if d.role != "room" or not _unclear(d, recipe)]
    for mic in dict.fromkeys(d.mic for d in found):
        own = [d for d in found if d.mic == mic]
        inverted = [d for d in own if d.polarity < 0]
        # The smaller part is the odd one; of two equal ones the inverted.
        odd = inverted if 2 * len(inverted) <= len(own) else [d for d in own if d.polarity > 0]
        for decision in odd:
            yield _finding(
                "alignment-inverted",
                "warning",
                decision,
                f"{'inverted' if decision.polarity < 0 else 'not inverted'} here, unlike in the other performances; "
                "its polarity here is turned accordingly",
            )


def _reference(recipe: Recipe, cases: Sequence[Case], decisions: Sequence[MicDecision]) -> list[Finding]:
    """A reference that is itself refused takes all others with it: say so and offer the next best."""
    reference = recipe.reference_mic()
    found = []
    for case in cases:
        own = [d for d in decisions if d.performance == case.performance]
        known = reference in case.mics and not case.settings[case.index(reference)].mute
        dead = next((d for d in own if known and d.mic == reference and d.refusal), None)
        if dead is None:
            continue
        rest = [m for m in range(len(case.mics)) if case.close[m] and case.mics[m] != reference]
        best = max(rest, key=lambda m: case.coherence[m], default=None)
        offer = (
            f"; the others agree best with '{case.mics[best]}': alignment: {{reference: {case.mics[best]}}}"
            if best is not None and case.coherence[best] > 0.3
            else ""
        )
        found.append(_finding("alignment-reference", "error", dead, f"the reference itself is refused{offer}"))
    return found


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
            case.performance,
            mic,
            settings.role,
            recipe.reference_mic(),
            0.0,
            1,
            "sheet",
            not settings.mute,
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
