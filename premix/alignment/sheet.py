"""Alignment sheets: decisions to text with the evidence as comments, and a sheet's decisions back into a render."""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import replace

from premix.alignment.case import Case, as_recorded
from premix.alignment.lateness import FINE_SEARCH_MS
from premix.audio.filters import mic_sections, stable
from premix.errors import Finding, Problem, RecipeError
from premix.model.alignment import AllPass, MicDecision, Sheet, SheetEntry, SheetPassage
from premix.model.song import Song
from premix.units import ms_to_samples, samples_to_cm, samples_to_ms

JOIN_S = 0.001
"""So far one passage may begin from the end of the one before."""
END_S = 0.02
"""And so far the last may end from the song's end."""
SAME_SAMPLES = 0.5
SHEET_MARK = "# premix alignment sheet"
_HEAD = f"""\
{SHEET_MARK}: what was decided for each mic, and why.
# Edit polarity (normal, inverted), delay_samples (positive: the mic is LATE and is advanced) and sum (true, false);
# of a mic that changes in the song also the from_s, to_s, delay_samples, polarity and ppm of its passages;
# and, under gates, when the guitar plays;
# give it back with: premix render RECIPE TRACKS --out OUT --alignment THIS_FILE
"""


def sheet_text(song: Song) -> str:
    """The decisions as YAML, one line a mic, the evidence beside it."""
    name = song.name.replace("'", "''")
    head = f"sheet: 1\nsong: '{name}'\nrate: {song.rate}\nreference: {song.reference}\nperformances:"
    lines = [_HEAD + head]
    for performance in song.performances:
        lines.append(f"  {performance.name}:")
        for mic in performance.judged:
            evidence = ", ".join(_evidence(mic.decision, song.rate, song.alignment.temperature_c))
            lines.append(f"    {mic.name}:  # {evidence}")
            lines.extend(f"      {line}" for line in _entry(mic.decision, mic.levels.sha256))
    return "\n".join((*lines, *_gates(song))) + "\n"


def _gates(song: Song) -> Iterator[str]:
    """When each performance plays; nothing of those whose key holds nothing."""
    playing = [performance for performance in song.performances if performance.riff.spans]
    if playing:
        yield "gates:  # when the guitar plays, [start, stop] in seconds: the rooms open and shut by it"
    for performance in playing:
        spans = [f"[{on!r}, {off!r}]" for on, off in performance.riff.spans]
        yield f"  {performance.name}:"
        yield from (f"    - {span}" for span in spans)


def _entry(decision: MicDecision, sha256: str) -> Iterator[str]:
    yield f"polarity: {'inverted' if decision.polarity < 0 else 'normal'}"
    yield f"delay_samples: {decision.delay_samples!r}"
    if not decision.summed:
        yield "sum: false"
    if decision.arrival_samples is not None:
        yield f"arrival_samples: {decision.arrival_samples!r}"
    if (r := decision.rotation) is not None:
        yield f"rotation: {{order: {r.order}, corner_hz: {r.corner_hz!r}, q: {r.q!r}}}"
    if decision.passages:
        yield "passages:"
    for p in decision.passages:
        turned = "inverted" if p.polarity < 0 else "normal"
        yield (
            f"  - {{from_s: {p.from_s!r}, to_s: {p.to_s!r}, delay_samples: {p.delay_samples!r}, "
            f"polarity: {turned}, ppm: {p.ppm!r}}}"
        )
    yield f"sha256: {sha256}"


def _evidence(decision: MicDecision, rate: int, temperature_c: float) -> Iterator[str]:
    yield f"{samples_to_ms(decision.delay_samples, rate):+.3f} ms"
    yield f"{samples_to_cm(decision.delay_samples, rate, temperature_c):+.1f} cm"
    if decision.refusal is not None:
        yield f"REFUSED: {decision.refusal}"
    if decision.origin in ("recipe", "sheet"):
        yield f"by hand ({decision.origin})"
    if decision.coherence is not None:
        yield f"coherence {decision.coherence:.2f}"
    if decision.margin_db is not None:
        yield f"other polarity {decision.margin_db:.2f} dB worse"
    if decision.moved_samples is not None:
        yield f"moved by {decision.moved_samples:+.2f} samples"
    if decision.passages:
        yield f"{len(decision.passages)} passages"


def check_sheet(sheet: Sheet, shown: str, song: Song) -> None:
    """Raise RecipeError unless the sheet fits the song: every mic has its entry, nothing is unknown."""
    problems = []

    def tell(where: str, what: str, allowed: str = "") -> None:
        problems.append(Problem("sheet-does-not-fit", where, what, allowed))

    if sheet.rate != song.rate:
        tell(f"{shown} rate", f"made for {sheet.rate} Hz; the tracks have {song.rate} Hz")
    if sheet.reference != song.reference:
        tell(f"{shown} reference", f"'{sheet.reference}' is not the recipe's reference '{song.reference}'")
    known = {performance.name: [mic.name for mic in performance.judged] for performance in song.performances}
    for performance, mics in sheet.performances.items():
        if performance not in known:
            tell(f"{shown} performances.{performance}", "no such performance", ", ".join(known))
            continue
        for mic in mics:
            if mic not in known[performance]:
                what = "no such mic in this performance"
                tell(f"{shown} performances.{performance}.{mic}", what, ", ".join(known[performance]))
    for own in song.judged:
        if own.name not in sheet.performances.get(own.performance, {}):
            tell(f"{shown} performances.{own.performance}", f"no entry for '{own.name}'")
        else:
            entry = sheet.performances[own.performance][own.name]
            where = f"{shown} performances.{own.performance}.{own.name}"
            for what, allowed in _passage_faults(entry, song.frames / song.rate, song.rate):
                tell(f"{where}.passages", what, allowed)
    for name, spans in sheet.gates.items():
        if name not in known:
            tell(f"{shown} gates.{name}", "no such performance", ", ".join(known))
        starts, stops = [on for on, _ in spans], [off for _, off in spans]
        if any(on >= off for on, off in spans) or any(off >= on for off, on in zip(stops, starts[1:], strict=False)):
            tell(
                f"{shown} gates.{name}", "its spans are not in order", "each start before its stop, one after the other"
            )
    for performance, mic, entry in sheet.entries():
        for name, what, allowed in _wild(entry, song):
            tell(f"{shown} performances.{performance}.{mic}.{name}", what, allowed)
    if problems:
        raise RecipeError(problems)


def with_gates(sheet: Sheet, song: Song) -> Song:
    """The song with the sheet's times of playing, which come before the recipe's own."""
    return replace(
        song, performances=tuple(replace(p, spans=sheet.gates.get(p.name, p.spans)) for p in song.performances)
    )


def _passage_faults(entry: SheetEntry, seconds: float, rate: int) -> Iterator[tuple[str, str]]:
    """What is wrong with the passages of an entry, and what is allowed: they are to fill the song, each once."""
    passages = entry.passages
    if not passages:
        return
    if passages[0].from_s > JOIN_S:
        yield f"the first begins at {passages[0].from_s:g} s", "from 0 s on"
    for number, (before, after) in enumerate(itertools.pairwise(passages), 1):
        if abs(after.from_s - before.to_s) > JOIN_S:
            kind = "a gap" if after.from_s > before.to_s else "an overlap"
            what = f"{kind} between {before.to_s:g} and {after.from_s:g} s, passages {number} and {number + 1}"
            yield what, "each begins where the one before ends"
    for number, one in enumerate(passages, 1):
        if one.to_s <= one.from_s:
            yield f"passage {number} ends at {one.to_s:g} s, before it begins at {one.from_s:g} s", "to_s after from_s"
    if abs(passages[-1].to_s - seconds) > END_S:
        yield f"the last ends at {passages[-1].to_s:g} s, the song at {seconds:g} s", f"{seconds:g}"
    most_s = max(one.to_s - one.from_s for one in passages)
    longest = [one for one in passages if one.to_s - one.from_s > most_s - JOIN_S]
    if not any(_holds(one, entry, rate) for one in longest):
        middle = _middle(longest[0], rate)
        yield (
            "delay_samples and polarity above are not those of the longest passage, at its middle",
            f"delay_samples: {middle:.3f}, polarity: {longest[0].polarity}; or no passages, to hold one throughout",
        )


def _middle(one: SheetPassage, rate: int) -> float:
    return one.passage.at(0.5 * (one.from_s + one.to_s), rate)


def _holds(one: SheetPassage, entry: SheetEntry, rate: int) -> bool:
    return one.polarity == entry.polarity and abs(_middle(one, rate) - entry.delay_samples) < SAME_SAMPLES


MOST_S = 2.0
"""Longest delay, as in a recipe: a file that starts this far off was exported from somewhere else."""


def _wild(entry: SheetEntry, song: Song) -> Iterator[tuple[str, str, str]]:
    """(key, what, allowed) of each value that these tracks cannot take, whatever it was meant for."""
    most = min(round(MOST_S * song.rate), song.frames - 1)
    for name, samples in (("delay_samples", entry.delay_samples), ("arrival_samples", entry.arrival_samples)):
        if samples is not None and abs(samples) > most:
            what = f"{samples:g} samples are too far in a song of {song.frames} samples at {song.rate} Hz"
            yield name, what, f"-{most} to {most}"
    r = entry.rotation
    if r is not None and not stable(mic_sections(song.rate, rotation=AllPass(r.order, r.corner_hz, r.q))):
        what = f"an all-pass at {r.corner_hz:g} Hz with q {r.q:g} is unstable at {song.rate} Hz"
        yield "rotation", what, f"corner_hz below {song.rate / 2.0:g}, q from 0.1"


def sheet_offsets(sheet: Sheet, song: Song) -> dict[str, int]:
    """Whole samples by which to advance each close mic ('left_a/ribbon') while it is read, so that what the sheet's
    long delays are worth is measured; those that the frames see themselves are left out."""
    most = ms_to_samples(FINE_SEARCH_MS, song.rate)
    delays = {f"{performance}/{mic}": entry.delay_samples for performance, mic, entry in sheet.entries()}
    close = (mic.label for performance in song.performances for mic in performance.close)
    return {label: round(delays[label]) for label in close if abs(delays[label]) > most}


def decide_from_sheet(sheet: Sheet, song: Song, cases: Sequence[Case]) -> tuple[list[list[MicDecision]], list[Finding]]:
    """The sheet's decisions, for every performance one a mic, and a finding for each track whose samples have changed
    or that does not go with the others where the sheet puts it.

    The coherence is the tracks' own; no other evidence is sought.
    """
    decisions, findings = [], []
    for case in cases:
        own = []
        for mic, coherence in zip(case.mics, case.coherence.tolist(), strict=True):
            entry = sheet.performances[mic.performance][mic.name]
            decision = _decision(as_recorded(mic, case.reference), entry)
            own.append(decision if mic.is_room else replace(decision, coherence=coherence))
            if entry.sha256 not in (None, mic.levels.sha256):
                what = "the audio is not the one that this sheet was made on"
                findings.append(Finding("sheet-audio-changed", "warning", mic.label, what))
            if mic.name in case.refusals and own[-1].summed:
                what = f"coherence {coherence:.2f} at the sheet's delay: there it does not hear what the others hear"
                findings.append(Finding("sheet-incoherent", "warning", mic.label, f"{what}; summed as the sheet says"))
        decisions.append(own)
    return decisions, findings


def _decision(recorded: MicDecision, entry: SheetEntry) -> MicDecision:
    rotation = entry.rotation
    return replace(
        recorded,
        delay_samples=entry.delay_samples,
        polarity=-1 if entry.polarity == "inverted" else 1,
        origin="sheet",
        summed=recorded.summed and entry.sum,
        arrival_samples=entry.arrival_samples,
        rotation=AllPass(rotation.order, rotation.corner_hz, rotation.q) if rotation else None,
        passages=tuple(one.passage for one in entry.passages),
    )
