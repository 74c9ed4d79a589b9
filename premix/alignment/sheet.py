"""Alignment sheets: decisions to text with the evidence as comments, and a sheet's decisions back into a render."""

from collections.abc import Sequence
from dataclasses import replace

from premix.errors import Problem, RecipeError
from premix.model.alignment import AllPass, MicDecision, Sheet, SheetEntry
from premix.model.analysis import Analysis
from premix.model.finding import Finding
from premix.model.tracks import TrackSet
from premix.units import samples_to_cm, samples_to_ms

SHEET_MARK = "# premix alignment sheet"
_HEAD = f"""\
{SHEET_MARK}: what was decided for each mic, and why.
# Edit polarity (normal, inverted), delay_samples (positive: the mic is LATE and is advanced) and sum (true, false);
# give it back with: premix render RECIPE TRACKS --out OUT --alignment THIS_FILE
"""


def sheet_text(
    song: str, rate: int, reference: str, decisions: Sequence[MicDecision], analysis: Analysis, temperature_c: float
) -> str:
    """The decisions as YAML, one line a mic, the evidence beside it."""
    lines = [_HEAD + f"sheet: 1\nsong: {_quoted(song)}\nrate: {rate}\nreference: {reference}\nperformances:"]
    performance = None
    for decision in decisions:
        if decision.performance != performance:
            performance = decision.performance
            lines.append(f"  {performance}:")
        sha256 = analysis.levels_of(decision.performance, decision.mic).sha256
        lines.append(f"    {decision.mic}:  # {_evidence(decision, rate, temperature_c)}")
        lines.extend(f"      {line}" for line in _entry(decision, sha256))
    return "\n".join(lines) + "\n"


def _entry(decision: MicDecision, sha256: str) -> list[str]:
    lines = [
        f"polarity: {'inverted' if decision.polarity < 0 else 'normal'}",
        f"delay_samples: {decision.delay_samples!r}",
    ]
    if not decision.summed:
        lines.append("sum: false")
    if decision.arrival_samples is not None:
        lines.append(f"arrival_samples: {decision.arrival_samples!r}")
    if decision.rotation is not None:
        r = decision.rotation
        lines.append(f"rotation: {{order: {r.order}, corner_hz: {r.corner_hz!r}, q: {r.q!r}}}")
    return [*lines, f"sha256: {sha256}"]


def _evidence(decision: MicDecision, rate: int, temperature_c: float) -> str:
    delay = decision.delay_samples
    parts = [f"{samples_to_ms(delay, rate):+.3f} ms", f"{samples_to_cm(delay, rate, temperature_c):+.1f} cm"]
    if decision.refusal is not None:
        parts.append(f"REFUSED: {decision.refusal}")
    if decision.origin in ("recipe", "sheet"):
        parts.append(f"by hand ({decision.origin})")
    if decision.coherence is not None:
        parts.append(f"coherence {decision.coherence:.2f}")
    if decision.margin_db is not None:
        parts.append(f"other polarity {decision.margin_db:.2f} dB worse")
    if decision.moved_samples is not None:
        parts.append(f"moved by {decision.moved_samples:+.2f} samples")
    return ", ".join(parts)


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def check_sheet(sheet: Sheet, shown: str, tracks: TrackSet, reference: str) -> None:
    """Raise RecipeError unless the sheet fits the tracks: every track has its entry, nothing is unknown."""
    problems = []

    def tell(where: str, what: str, allowed: str = "") -> None:
        problems.append(Problem("sheet-does-not-fit", where, what, allowed))

    if sheet.rate != tracks.rate:
        tell(f"{shown} rate", f"made for {sheet.rate} Hz; the tracks have {tracks.rate} Hz")
    if sheet.reference != reference:
        tell(f"{shown} reference", f"'{sheet.reference}' is not the recipe's reference '{reference}'")
    known = {(t.performance, t.mic) for t in tracks.tracks}
    for performance, mics in sheet.performances.items():
        if performance not in tracks.performances():
            tell(f"{shown} performances.{performance}", "no such performance", ", ".join(tracks.performances()))
            continue
        own = ", ".join(t.mic for t in tracks.of(performance))
        for mic in mics:
            if (performance, mic) not in known:
                tell(f"{shown} performances.{performance}.{mic}", "no such mic in this performance", own)
    for track in tracks.tracks:
        if track.mic not in sheet.performances.get(track.performance, {}):
            tell(f"{shown} performances.{track.performance}", f"no entry for '{track.mic}'")
    if problems:
        raise RecipeError(problems)


def decide_from_sheet(
    sheet: Sheet, decisions: Sequence[MicDecision], analysis: Analysis
) -> tuple[list[MicDecision], list[Finding]]:
    """The sheet's decisions in the place of `decisions`, and a finding for each track whose samples have changed."""
    decided, findings = [], []
    for decision in decisions:
        entry = sheet.performances[decision.performance][decision.mic]
        decided.append(_decision(decision, entry))
        sha256 = analysis.levels_of(decision.performance, decision.mic).sha256
        if entry.sha256 is not None and entry.sha256 != sha256:
            findings.append(
                Finding(
                    "sheet-audio-changed",
                    "warning",
                    decision.name,
                    "the audio is not the one that this sheet was made on",
                )
            )
    return decided, findings


def _decision(decision: MicDecision, entry: SheetEntry) -> MicDecision:
    rotation = entry.rotation
    return replace(
        decision,
        polarity=-1 if entry.polarity == "inverted" else 1,
        delay_samples=entry.delay_samples,
        summed=decision.summed and entry.sum,
        arrival_samples=entry.arrival_samples,
        rotation=AllPass(rotation.order, rotation.corner_hz, rotation.q) if rotation else None,
        origin="sheet",
        refusal=None,
        margin_db=None,
        halves_samples=None,
        spread_samples=None,
        moved_samples=None,
    )
