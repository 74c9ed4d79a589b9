"""The alignment stage: cross-spectra in, a decision with evidence for every mic of every performance out.

What the user should know of the decisions is told here too: refusals with the recipe line to write by hand, mics that
were moved or inverted, rooms that stay unclear, a reference that takes all others with it; and what the phase of the
mics' chains costs, for which the song is solved once more as if they had linear phase.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from premix.alignment.case import Case, as_recorded, build_case, chain_response, efficiency_of, untried_case
from premix.alignment.confidence import judged
from premix.alignment.lateness import SAME_START_MS
from premix.alignment.sheet import decide_from_sheet
from premix.alignment.strangers import doubled, swapped
from premix.alignment.whole_song import SolvedSong, solve_song
from premix.arrays import ComplexArray
from premix.errors import Finding
from premix.model.alignment import MicDecision, Sheet
from premix.model.song import Mic, Performance, Song, Variant
from premix.units import ms_to_samples, samples_to_cm, samples_to_ms

OUTCOMES = {"stop": "render stops", "mute": "left out of the sum", "keep": "summed as recorded"}
_REASONS = {
    "alignment-silent": "the track is silent",
    "alignment-incoherent": "it does not hear the same performance as the reference",
    "alignment-edge": "the best answer lies at the edge of the search",
    "alignment-ambiguous": "both polarities fit equally well",
    "alignment-offset": "no start offset was found that makes it fit",
    "alignment-late": "it is {late}, and not moved so far unasked",
}
_HEARS_COHERENCE = 0.3
"""A mic less coherent than this is not offered as another reference."""
_COSTLY_DB = 0.3
_WORSE_DB = 0.05


def align(song: Song, sheet: Sheet | None = None) -> Song:
    """Decide polarity and delay of every mic, or refuse: the song with decisions and efficiencies.

    sheet: decisions to take instead (checked against the tracks by `check_sheet`); the evidence is not sought then.
    Never raises for what the audio holds.
    """
    cases = [build_case(song, performance) for performance in song.performances]
    if sheet is not None:
        from_sheet, findings = decide_from_sheet(sheet, song, cases)
        song = _decided(song, cases, from_sheet)
        return song.tell(*findings, *_worse(song))
    cases, solved = _settled(song, cases)
    song = judged(_decided(song, cases, solved.decisions()), cases)
    return song.tell(*_findings(song, cases), *_chain_costs(song, cases))


def recorded_before(song: Song, first: Song) -> Song:
    """The song whose efficiencies as recorded are those of the tracks as they are, not of those read through steps."""
    performances = []
    for performance, raw in zip(song.performances, first.performances, strict=True):
        own, before = performance.efficiency, raw.efficiency
        known = {band.centre_hz: band.before_db for band in before.bands}
        bands = tuple(replace(band, before_db=known.get(band.centre_hz, band.before_db)) for band in own.bands)
        efficiency = replace(own, before_db=before.before_db, before_10k_db=before.before_10k_db, bands=bands)
        performances.append(replace(performance, efficiency=efficiency))
    return replace(song, performances=tuple(performances))


def decided_as(song: Song, other: Song) -> Song:
    """The song with another's decisions and findings, and the efficiencies that these reach with its own tracks."""
    cases = [untried_case(song, performance) for performance in song.performances]
    decisions = [[other.performance(case.performance).mic(mic.name).decision for mic in case.mics] for case in cases]  # type: ignore[union-attr]
    return _decided(song, cases, decisions).tell(*other.findings)


def _settled(song: Song, cases: list[Case]) -> tuple[list[Case], SolvedSong]:
    """The song solved, with mics that fit better elsewhere read in step, and those refused that cannot be aligned."""
    turns = 2 * max((len(case.mics) for case in cases), default=0)
    while True:
        solved = solve_song(song, cases)
        starts = solved.starts()
        if starts and turns:
            cases = [case.in_step(starts.get(k, {})) for k, case in enumerate(cases)]
            turns -= 1
            continue
        for k, m, late in solved.late():
            cases[k].late[cases[k].mics[m].name] = late
        # What still asks for another place has none.
        lost = [(cases[k], cases[k].mics[m].name, "alignment-ambiguous") for k, own in starts.items() for m in own]
        refused = lost or list(solved.refusals())
        if not refused:
            return cases, solved
        for case, mic, slug in refused:
            case.refusals[mic] = slug


def decide_variant(song: Song, variant: Variant) -> Song:
    """The tree of a variant with the records of the song itself: what differs is what the variant says, nothing else.

    Only where it states a polarity or a delay, that mic is decided anew, with the same mics in the sum.
    """
    own = {mic.label: mic for mic in song.mics}

    def recorded(mic: Mic) -> Mic:
        known = own[mic.label]
        return replace(mic, track=known.track, levels=known.levels, decision=known.decision, room=known.room)

    performances = tuple(
        replace(
            performance,
            mics=tuple(recorded(mic) for mic in performance.mics if mic.label in own),
            spectra=known.spectra,
            envelopes=known.envelopes,
            riff=known.riff,
        )
        for known in song.performances
        for performance in variant.song.performances
        if performance.name == known.name
    )
    varied = replace(
        variant.song, name=song.name, performances=performances, folder=song.folder, rate=song.rate, frames=song.frames
    )
    decisions = {mic.label: mic.decision for mic in song.mics}
    if variant.restated:
        heard = align(varied.with_mics(lambda mic: replace(mic, mute=own[mic.label].mute)))
        decisions |= {mic.label: mic.decision for mic in heard.mics if mic.name in variant.restated}

    def decided(mic: Mic) -> Mic:
        decision = decisions[mic.label]
        summed = not (mic.mute or mic.is_di) and (decision.refusal is None or decision.summed)
        return replace(mic, decision=replace(decision, summed=summed))

    return varied.with_mics(decided)


def _decided(song: Song, cases: Sequence[Case], decisions: Sequence[Sequence[MicDecision]]) -> Song:
    """The song with the decisions of each performance, one a mic of its case."""
    performances = []
    for performance, case, own in zip(song.performances, cases, decisions, strict=True):
        by_mic = {mic.name: as_recorded(mic, performance.reference) for mic in performance.dis}
        by_mic |= {decision.mic: decision for decision in own}
        mics = tuple(replace(mic, decision=by_mic[mic.name]) for mic in performance.mics)
        performances.append(replace(performance, mics=mics, efficiency=efficiency_of(case, own)))
    return replace(song, performances=tuple(performances))


def _findings(song: Song, cases: Sequence[Case]) -> Iterator[Finding]:
    odd = {performance.name: _odd_reference(song, performance) for performance in song.performances}
    late = {case.performance: () if odd[case.performance] else case.late for case in cases}
    exchanged = swapped(song, cases)
    strange = {(performance, name) for performance, (names, _) in exchanged.items() for name in names}
    for mic in song.judged:
        decision = mic.decision
        if decision.refusal is not None:
            yield _refusal(song, mic)
        elif mic.name in late[mic.performance]:
            yield _late(song, mic)
        elif decision.moved_samples is not None and (mic.performance, mic.name) not in strange:
            yield _moved(song, mic, decision.moved_samples)
        if mic.is_room and decision.arrival_samples is None and decision.summed:
            coherence = f"coherence with the close mics {decision.coherence or 0.0:.2f} is at chance"
            yield Finding("alignment-room-unclear", "warning", mic.label, f"{coherence}; kept as recorded")
        elif mic.is_room and decision.origin == "auto" and _unclear(mic):
            best = f"the best answer of the other polarity is only {decision.margin_db or 0.0:.1f} dB lower"
            yield Finding("alignment-room-polarity", "info", mic.label, f"{best}; polarity kept as recorded")
    yield from (finding for finding in odd.values() if finding is not None)
    yield from (finding for _, finding in exchanged.values())
    yield from doubled(song)
    yield from _inverted(song)
    yield from _reference(song, cases)
    yield from _worse(song)


def _unclear(mic: Mic) -> bool:
    return mic.polarity is None and mic.decision.polarity_clear is False


def _refusal(song: Song, mic: Mic) -> Finding:
    decision, refused = mic.decision, song.alignment.refused
    outcome = "muted by the recipe anyway" if mic.mute else OUTCOMES[refused]
    evidence = f" (coherence {decision.coherence:.2f})" if decision.coherence is not None else ""
    by_hand, reason = "polarity: normal, delay: none", _REASONS[decision.refusal or ""]
    if decision.arrival_samples is not None:
        by_hand = f"delay: {{samples: {decision.arrival_samples:.2f}}}"
        reason = reason.format(late=_how_late(song, decision.arrival_samples))
    line = f"performances: {{{mic.performance}: {{mics: {{{mic.name}: {{{by_hand}}}}}}}}}"
    return Finding(
        decision.refusal or "",
        "error" if refused == "stop" and not mic.mute else "warning",
        mic.label,
        f"{reason}{evidence}: {outcome}; by hand: {line}",
    )


def _how_late(song: Song, samples: float) -> str:
    late_ms = samples_to_ms(samples, song.rate)
    return f"{abs(late_ms):.2f} ms {'late' if samples > 0 else 'early'} ({samples:+.1f} samples)"


def _odd_reference(song: Song, performance: Performance) -> Finding | None:
    """The reference is odd, not the others, where two or more are as late as each other, outside the search, and none
    is not."""
    reference = performance.mic(performance.reference)
    others = [mic.decision for mic in performance.close if mic.name != performance.reference and mic.delay == "auto"]
    found = [d.arrival_samples for d in others if d.arrival_samples is not None and (d.summed or d.refusal)]
    if reference is None or len(found) < 2 or len(found) < len(others):
        return None
    middle, spread = float(np.median(found)), max(found) - min(found)
    search, same = (ms_to_samples(ms, song.rate) for ms in (song.alignment.search_ms, SAME_START_MS))
    if abs(middle) <= search or spread > 2.0 * min(same, search):
        return None
    what = f"all others are {_how_late(song, middle)} against it"
    return Finding(
        "alignment-late", "warning", reference.label, f"{what}: it is the reference that is off, and its stem with it"
    )


def _late(song: Song, mic: Mic) -> Finding:
    """A mic that was found outside the search, and taken."""
    search_ms, arrival = song.alignment.search_ms, mic.decision.arrival_samples or 0.0
    return Finding(
        "alignment-late",
        "warning",
        mic.label,
        f"{_how_late(song, arrival)}, more than a microphone can be (search_ms {search_ms:g}): a plug-in's "
        "latency or an odd file start? It is moved all the same",
    )


def _moved(song: Song, mic: Mic, moved: float) -> Finding:
    mm = 10.0 * samples_to_cm(moved, song.rate, song.alignment.temperature_c)
    return Finding(
        "alignment-moved",
        "warning",
        mic.label,
        f"differs from the other performances by {moved:+.2f} samples ({samples_to_ms(moved, song.rate):+.3f} ms, "
        f"{mm:+.0f} mm); " + ("it is judged by itself here" if mic.is_room else "it has its own delay here"),
        size=abs(moved),
    )


def _inverted(song: Song) -> Iterator[Finding]:
    """Mics that are inverted in some performances only: a switch or a cable, not the set-up."""
    found = [m for m in song.judged if m.decision.origin == "auto" and m.decision.arrival_samples is not None]
    found = [m for m in found if not (m.is_room and _unclear(m))]
    for name, reference in dict.fromkeys((mic.name, mic.decision.reference) for mic in found):
        own = [mic for mic in found if (mic.name, mic.decision.reference) == (name, reference)]
        inverted = [mic for mic in own if mic.decision.polarity < 0]
        # The smaller part is the odd one; of two equal ones the inverted.
        odd = inverted if 2 * len(inverted) <= len(own) else [mic for mic in own if mic.decision.polarity > 0]
        for mic in odd:
            here = "inverted" if mic.decision.polarity < 0 else "not inverted"
            what = f"{here} here, unlike in the other performances; its polarity here is turned accordingly"
            yield Finding("alignment-inverted", "warning", mic.label, what)


def _reference(song: Song, cases: Sequence[Case]) -> Iterator[Finding]:
    """A reference that is itself refused takes all others with it: say so and offer the next best."""
    for performance, case in zip(song.performances, cases, strict=True):
        reference = performance.mic(performance.reference)
        if reference is None or reference.mute or not reference.decision.refusal:
            continue
        rest = [(m, mic.name) for m, mic in enumerate(case.mics) if not mic.is_room and mic.name != case.reference]
        best, name = max(rest, key=lambda one: case.coherence[one[0]], default=(None, ""))
        offer = ""
        if best is not None and case.coherence[best] > _HEARS_COHERENCE:
            offer = f"; the others agree best with '{name}': alignment: {{reference: {name}}}"
        yield Finding("alignment-reference", "error", reference.label, f"the reference itself is refused{offer}")


def _worse(song: Song) -> Iterator[Finding]:
    """Performances whose sum is worse as decided than as recorded: what was given by hand does not fit the tracks."""
    for performance in song.performances:
        before_db, after_db = performance.efficiency.before_db, performance.efficiency.after_db
        if after_db < before_db - _WORSE_DB:
            what = f"sum efficiency {after_db:.2f} dB as decided, but {before_db:.2f} dB as recorded"
            yield Finding("alignment-worse", "warning", performance.name, what, size=before_db - after_db)


def _chain_costs(song: Song, cases: Sequence[Case]) -> Iterator[Finding]:
    """Performances whose sum would be better by more than _COSTLY_DB if their mics' chains had linear phase.

    What a chain only delays or turns over costs nothing: the decisions take it back.
    """
    turns = [_turns(case) for case in cases]
    turned = [
        case.mics[m].name
        for case, turn in zip(cases, turns, strict=True)
        for m in np.flatnonzero(case.chosen & (turn != 1.0).any(axis=1))
    ]
    if not turned:
        return
    with_db = [performance.efficiency.after_db for performance in song.performances]
    without_db = _without_phase(song, cases, turns, turned)
    costly = [k for k in range(len(cases)) if without_db[k] - with_db[k] > _COSTLY_DB]
    alone = {mic: _without_phase(song, cases, turns, [mic]) for mic in dict.fromkeys(turned) if costly}
    for k in costly:
        worst = max(alone, key=lambda mic: alone[mic][k])
        message = (
            f"the phase of the chains costs {without_db[k] - with_db[k]:.1f} dB of sum efficiency "
            f"({with_db[k]:.1f} dB instead of {without_db[k]:.1f} dB), most of it the chain of '{worst}'"
        )
        yield Finding("chain-costs-efficiency", "warning", f"{cases[k].performance}/{worst}", message)


def _turns(case: Case) -> ComplexArray:
    """(M, F) phase of each mic's chain, magnitude 1."""
    responses = np.stack([chain_response(mic, case.signal.freqs_hz, case.signal.rate) for mic in case.mics])
    size = np.abs(responses)
    turns: ComplexArray = np.where(size > 0.0, responses / np.maximum(size, 1e-300), 1.0)
    return turns


def _without_phase(
    song: Song, cases: Sequence[Case], turns: Sequence[ComplexArray], mics: Sequence[str]
) -> list[float]:
    """Sum efficiency in dB that each performance reaches, solved, where the chains of `mics` leave the phase alone.

    Magnitudes and what they are worth stay.
    """
    undone = []
    for case, turn in zip(cases, turns, strict=True):
        back = np.where(np.isin([mic.name for mic in case.mics], mics)[:, None], turn.conj(), 1.0)
        pair = back[:, None, :] * back[None, case.signal.partners, :].conj()
        signal = replace(case.signal, matrix=case.signal.matrix * pair, responses=case.signal.responses * back)
        undone.append(replace(case, signal=signal))
    decisions = solve_song(song, undone).decisions()
    return [efficiency_of(case, own).after_db for case, own in zip(undone, decisions, strict=True)]
