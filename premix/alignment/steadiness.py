"""Is every mic steady from the first riff to the last? What is not becomes passages, and is told with place and size.

The song is read once more through the passages that were found, as if every mic had held its longest one all through,
and solved again; so one delay a mic is true again, whatever asks for it.
"""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from premix.alignment.astray import Astray, astray_findings, astray_of
from premix.alignment.case import Case, untried_case
from premix.alignment.changes import GOOD_FIT, Change, level_parts, parts_of, sounding, usual_db
from premix.alignment.mic_levels import LOST_DB, SILENT_DB
from premix.alignment.placing import place_of_level
from premix.alignment.silences import Silence, silences_of
from premix.alignment.steps import FAR_S, Placing, changes_of, composed, passages_of, worth_following
from premix.alignment.stretches import stretches_of
from premix.alignment.trails import MIN_CHANGE_S, Trails, follow, follow_soft
from premix.errors import Finding, Severity, listed
from premix.model.alignment import MicDecision, MicTrail, Passage, Sheet
from premix.model.song import Mic, Performance, Song
from premix.units import clock, power_to_db, samples_to_ms

CHANGES = ("alignment-turned", "alignment-jump", "alignment-drift", "alignment-dropout")
"""Slugs of what is told of a mic that is not steady."""


NEAR_S, GONE_DB = 2.0, 40.0
"""What trails say of the level this near to a silence comes of it; a mic that is so far down is gone."""
PASSAGE_S = 2.0
"""Riff in the passage that is told as the worst."""


@dataclass(frozen=True, slots=True)
class Followed:
    """One performance followed. levels: changes of a mic's level; steps: by mic, where its delay or polarity changed.

    presence: share of the riff in which a mic is there, of those that are not all through.
    restarted: mics with steps that are not read ahead any more, as they are late in a part of the song only.
    astray: passages in which a mic does not fit. worst_db, worst_s: sum efficiency of its worst stretch, and where that
    lies.
    """

    trails: tuple[MicTrail, ...]
    levels: tuple[Change, ...]
    steps: dict[str, tuple[Passage, ...]]
    presence: dict[str, float]
    restarted: frozenset[str] = frozenset()
    astray: tuple[Astray, ...] = ()
    worst_db: float | None = None
    worst_s: tuple[float, float] | None = None


def follow_song(song: Song) -> tuple[Followed, ...]:
    """Every performance of a song that is decided, followed from stretch to stretch."""
    return tuple(_followed(song, performance) for performance in song.performances)


def _followed(song: Song, performance: Performance) -> Followed:
    if performance.windows is None or not stretches_of(performance.windows):
        return Followed((), (), {}, {})  # too short to hold a window of riff
    case = untried_case(song, performance)
    decisions = [mic.decision for mic in case.mics]
    trails = follow(case, performance.spectra, performance.windows, decisions)
    lost = {m for m, mic in enumerate(case.mics) if not mic.is_room and len(level_parts(trails, m, mic.role)) > 1}
    if lost:
        trails = follow(case, performance.spectra, performance.windows, decisions, sorted(lost))
        for m in lost:
            # What its noise shares with the others by chance is no delay of it.
            trails.alive[:, m] &= sounding(trails, m, case.mics[m].role)
    steps = _steps(song, case, trails, decisions)
    levels: list[Change] = []
    for m, mic in enumerate(case.mics):
        if _judged(decisions, m):
            levels += _levels(performance, mic, case, trails, m)
    levels = _with_silences(levels, silences_of(performance), trails)
    worst_db, worst_s = _worst(trails)
    silent_s = [change.at_s for change in levels if abs(change.db) >= LOST_DB]
    soft = follow_soft(case, performance.spectra, performance.windows, decisions, trails)
    astray = tuple(astray_of(trails, soft, case, decisions, steps, silent_s))
    if astray:
        slipped = dict(_slipped(song, case, trails, decisions, astray))
        steps = {**slipped, **steps}
        astray = tuple(astray_of(trails, soft, case, decisions, steps, silent_s)) if slipped else astray
    return Followed(
        tuple(
            _trail(trails, m, mic, decisions[m], steps.get(mic.name, ()), song.rate) for m, mic in enumerate(case.mics)
        ),
        tuple(levels),
        steps,
        {case.mics[m].name: _presence(trails, m, case.mics[m].role) for m in sorted(lost)},
        frozenset(d.mic for d in decisions if d.mic in steps and d.refusal is not None),
        astray,
        worst_db,
        (worst_s[0], min(worst_s[1], song.frames / song.rate)),
    )


def _steps(song: Song, case: Case, trails: Trails, decisions: Sequence[MicDecision]) -> dict[str, tuple[Passage, ...]]:
    """By mic, the passages of those whose delay or polarity changes."""
    steps: dict[str, tuple[Passage, ...]] = {}
    spoiled = np.zeros(len(trails.stretches), np.bool_)
    for m in _by_size(trails, case, decisions):
        mic = case.mics[m]
        parts = parts_of(trails, m, mic.role, song.rate, spoiled)
        if len(parts) > 1 or any(part.slope for part in parts):
            placing = Placing(song, case, trails, decisions, m)
            parts = placing.confirmed(parts)
            steps[mic.name] = placing.steps(parts)
            for before, after in itertools.pairwise(parts):
                spoiled[before.stop - 1 : after.first + 1] = True
    return steps


def _slipped(
    song: Song, case: Case, trails: Trails, decisions: Sequence[MicDecision], astray: Sequence[Astray]
) -> Iterator[tuple[str, tuple[Passage, ...]]]:
    """Mics that do not fit in places because they play elsewhere there, and their passages."""
    for name in dict.fromkeys(one.mic for one in astray):
        m = case.index(name)
        assert m is not None  # astray are mics of the case
        spans_s = [(one.from_s, one.to_s) for one in astray if one.mic == name]
        steps = Placing(song, case, trails, decisions, m).slips(spans_s) if not case.by_hand[m].all else ()
        if steps:
            yield name, steps


def _worst(trails: Trails) -> tuple[float, tuple[float, float]]:
    """The lowest sum efficiency of stretches in a row that hold PASSAGE_S, in dB, and from where to where they are."""
    energies = 10.0 ** (trails.efficiencies_db / 10.0)
    found = []
    for first in range(len(trails.stretches)):
        stop, length_s = first, 0.0
        while stop < len(trails.stretches) and length_s < PASSAGE_S:
            length_s += trails.stretches[stop].riff_s
            stop += 1
        if length_s >= PASSAGE_S or first == 0:
            weights = [stretch.riff_s for stretch in trails.stretches[first:stop]]
            found.append((float(np.average(energies[first:stop], weights=weights)), first, stop))
    energy, first, stop = min(found)
    return power_to_db(max(energy, 1e-12)), (trails.stretches[first].from_s, trails.stretches[stop - 1].to_s)


def _by_size(trails: Trails, case: Case, decisions: Sequence[MicDecision]) -> list[int]:
    """The mics that may be found to change, the one whose trail runs widest first, in what its role calls wide."""
    widths = {}
    for m, mic in enumerate(case.mics):
        live = trails.alive[:, m]
        if live.any() and not case.by_hand[m].all and _judged(decisions, m):
            width = float(np.ptp(trails.delays[live, m])) / MIN_CHANGE_S[mic.role]
            widths[m] = np.inf if np.ptp(trails.signs[live, m]) else width
    return sorted(widths, key=lambda m: -widths[m])


def _judged(decisions: Sequence[MicDecision], m: int) -> bool:
    """Whether there is anybody in the sum to hold mic m against."""
    return any(d.summed and d.role != "room" and d.refusal is None for n, d in enumerate(decisions) if n != m)


def _trail(trails: Trails, m: int, mic: Mic, decision: MicDecision, steps: Sequence[Passage], rate: int) -> MicTrail:
    """The points on which changes are judged, those aside that windows mistake for somewhere else than the samples."""
    shown = trails.alive[:, m] & (trails.fits[:, m] >= GOOD_FIT)
    for s, stretch in enumerate(trails.stretches):
        step = next((p for p in steps if p.from_s <= stretch.middle_s < p.to_s), None)
        if step is not None:
            shown[s] &= abs(trails.delays[s, m] - step.at(stretch.middle_s, rate)) <= FAR_S * rate
    live = np.flatnonzero(shown)
    return MicTrail(
        mic.name,
        tuple(float(trails.stretches[s].middle_s) for s in live),
        tuple(float(d) for d in decision.delay_samples + trails.delays[live, m]),
        tuple(float(s) for s in trails.spreads[live, m]),
        tuple(int(s) * decision.polarity for s in trails.signs[live, m]),
        tuple(float(db) for db in trails.levels_db[live, m]),
    )


def _levels(performance: Performance, mic: Mic, case: Case, trails: Trails, m: int) -> Iterator[Change]:
    """Losses and gains of level against the others."""
    parts = level_parts(trails, m, mic.role)
    others = [other.name for other in case.mics if other.name != mic.name and not other.is_room]
    for before, after in itertools.pairwise(parts):
        last, first = trails.stretches[before.stop - 1], trails.stretches[after.first]
        db = after.db - before.db
        at_s = place_of_level(performance, mic, others, last.from_s, first.to_s, db)
        yield Change("dropout", mic.name, at_s, trails.stretches[after.stop - 1].to_s, db=db)


def _with_silences(levels: Sequence[Change], silences: Sequence[Silence], trails: Trails) -> list[Change]:
    """The changes of level with silences that are too short for trails, in place of what these make of them."""
    first_s, last_s = trails.stretches[0].from_s, trails.stretches[-1].to_s
    found = list(levels)
    for one in silences:
        near = [c for c in found if c.mic == one.mic and one.from_s - NEAR_S < c.at_s < one.to_s + NEAR_S]
        inside = one.from_s > first_s + NEAR_S and one.to_s < last_s - NEAR_S
        if not inside or any(abs(c.db) >= SILENT_DB for c in near):
            continue
        found = [c for c in found if c not in near]
        found.append(Change("dropout", one.mic, one.from_s, one.to_s, db=-GONE_DB))
        found.append(Change("dropout", one.mic, one.to_s, last_s, db=GONE_DB))
    return sorted(found, key=lambda c: c.at_s)


def _presence(trails: Trails, m: int, role: str) -> float:
    """Share of the riff in which mic m is there."""
    parts, most = level_parts(trails, m, role), usual_db(trails, m, role)
    there = [s for part in parts if part.db > most - LOST_DB for s in range(part.first, part.stop)]
    total = sum(stretch.riff_s for stretch in trails.stretches)
    return sum(trails.stretches[s].riff_s for s in there) / total if total else 1.0


def with_presence(song: Song, decided: Song, found: Sequence[Followed]) -> Song:
    """The song in which mics that were refused, but are there for a part of it only, are judged on that part."""
    sparse = {
        mic.label: max(LEAST_PRESENCE, own.presence[mic.name])
        for performance, own in zip(decided.performances, found, strict=True)
        for mic in performance.close
        if mic.name in own.presence and mic.decision.refusal == "alignment-incoherent"
    }
    return song.with_mics(lambda mic: replace(mic, presence=sparse.get(mic.label, mic.presence)))


def with_steps(song: Song, found: Sequence[Followed]) -> Song:
    """The song with what each mic is read through, on top of the steps through which it was read when it was found."""

    def stepped(mic: Mic, then: tuple[Passage, ...]) -> Mic:
        steps = composed(mic.steps, then, mic.role, song.rate)
        return replace(mic, steps=steps if worth_following(steps, mic.role, song.rate) else ())

    performances = []
    for performance, own in zip(song.performances, found, strict=True):
        mics = tuple(stepped(mic, own.steps[mic.name]) if mic.name in own.steps else mic for mic in performance.mics)
        spectra = performance.spectra
        starts = zip(spectra.mics, spectra.offsets, strict=True)
        offsets = tuple(0 if name in own.restarted else offset for name, offset in starts)
        performances.append(replace(performance, mics=mics, spectra=replace(spectra, offsets=offsets)))
    return replace(song, performances=tuple(performances))


def with_sheet_steps(song: Song, sheet: Sheet) -> Song:
    """The song with the passages of a sheet as steps against the delay and polarity of its entry."""

    def stepped(mic: Mic) -> Mic:
        if mic.is_di:  # never moved: it has no entry
            return mic
        entry = sheet.performances[mic.performance][mic.name]
        sign = -1 if entry.polarity == "inverted" else 1
        steps = tuple(
            replace(p, delay_samples=p.delay_samples - entry.delay_samples, polarity=p.polarity * sign)
            for p in (one.passage for one in entry.passages)
        )
        return replace(mic, steps=steps)

    return song.with_mics(stepped)


def with_trails(song: Song, found: Sequence[Followed], left: Sequence[Followed] | None = None) -> Song:
    """The song with what was found beside each performance, and with each decision's passages.

    found: as the tracks are, drawn as trails. left: the song followed once more through its steps, where it was; what
    its worst stretch reaches is what is delivered.
    """
    performances = []
    for performance, own, after in zip(song.performances, found, left or found, strict=True):
        efficiency = replace(performance.efficiency, worst_passage_db=after.worst_db, worst_passage_s=after.worst_s)
        mics = tuple(
            replace(mic, decision=replace(mic.decision, passages=passages_of(mic))) for mic in performance.mics
        )
        performances.append(replace(performance, mics=mics, efficiency=efficiency, steadiness=own.trails))
    return replace(song, performances=tuple(performances))


def findings_of(song: Song, found: Sequence[Followed]) -> Iterator[Finding]:
    """A finding a mic and kind of change: of the steps of the song's mics, and of the levels that were found."""
    for performance, own in zip(song.performances, found, strict=True):
        for mic in performance.judged:
            steps = mic.steps or own.steps.get(mic.name, ())
            levels = [change for change in own.levels if change.mic == mic.name]
            told = [*changes_of(mic.name, steps, song.rate), *levels]
            for kind in ("turned", "jump", "drift", "dropout"):
                some = [change for change in told if change.kind == kind]
                if some:
                    yield _finding(song, mic, some)


def _finding(song: Song, mic: Mic, some: Sequence[Change]) -> Finding:
    rate, kind = song.rate, some[0].kind
    follows = song.alignment.changes == "follow" and mic.steps
    if kind == "turned":
        what = "turns over at " + listed(clock(c.at_s) for c in some)
    elif kind == "jump":
        what = "its delay jumps by " + listed(
            f"{c.samples:+.2f} samples ({samples_to_ms(c.samples, rate):+.3f} ms) at {clock(c.at_s)}" for c in some
        )
    elif kind == "drift":
        what = "its clock drifts: " + listed(
            f"{c.ppm:+.2f} ppm from {clock(c.at_s)} to {clock(c.to_s)} ({c.samples:+.1f} samples)" for c in some
        )
    else:
        what = listed(_loss(c) for c in some)
    if mic.name == mic.decision.reference and kind != "dropout":
        what = f"the reference itself: {what}; the others show it the other way round"
    if kind != "dropout":
        small = "too little to follow" if song.alignment.changes == "follow" else "not followed"
        what += "; followed" if follows else f"; {small}, the longest passage counts"
    severity: Severity = "error" if song.alignment.changes == "stop" and kind != "dropout" else "warning"
    size = max(abs(c.db) if kind == "dropout" else abs(c.samples) for c in some)
    return Finding(f"alignment-{kind}", severity, mic.label, what, at_s=min(c.at_s for c in some), size=size)


def _loss(change: Change) -> str:
    if abs(change.db) < SILENT_DB:
        return f"{change.db:+.1f} dB against the other mics from {clock(change.at_s)} on"
    return f"{'falls silent' if change.db < 0 else 'joins in'} at {clock(change.at_s)}"


def unsteady(song: Song, left: Sequence[Followed]) -> Iterator[Finding]:
    """A finding a mic that still moves after its changes were followed."""
    for performance, own in zip(song.performances, left, strict=True):
        for name, steps in own.steps.items():
            mic = performance.mic(name)
            if mic is None or not worth_following(steps, mic.role, song.rate):
                continue
            most = max(steps, key=lambda p: abs(p.delay_samples) + 1e6 * (p.polarity < 0))
            what = (
                f"still {most.delay_samples:+.2f} samples off from {clock(most.from_s)} to {clock(most.to_s)} "
                "after its changes were followed"
            )
            label, size = f"{performance.name}/{name}", abs(most.delay_samples)
            yield Finding("alignment-unsteady", "warning", label, what, at_s=most.from_s, size=size)


def misfits(song: Song, left: Sequence[Followed]) -> Iterator[Finding]:
    """A finding a mic that does not fit in places, in the song as it is delivered."""
    return astray_findings(song, (own.astray for own in left))


LEAST_PRESENCE = 0.02
