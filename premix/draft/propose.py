"""The draft of a recipe: from a folder, and the names of the audio files in it, to the recipe's text.

Sides come from names, or are guessed with a question. Roles of the mics come from names and from the audio: a sub mic
has far more of its power below 150 Hz than the others; a room mic is less coherent with the close mics and rings on
where they stop. On recordings of one cabinet close mics were coherent to 0.9 and more, room mics to 0.5 to 0.7, and
files of another take to less than 0.2.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from premix.draft.grid import Chosen, Grid, Key, Placed, choose
from premix.draft.sound import Sounds, usable
from premix.draft.spelling import find_pattern, mic_names, performance_names
from premix.draft.words import MICS, ROLES, SIDE_NAMES
from premix.draft.write import DraftMic, DraftPerformance, DraftTrack, LeftOut, Proposal, recipe_text
from premix.errors import Problem, TracksError
from premix.model.settings import Role

MOST_FILES = 256
MOST_MICS = 64
_MOST_UNSIDED = 16
"""Performances of one mic and no side; more of them are a pile of files."""
_MOST_PATH = 400
_LOW_SHARE, _LOW_RATIO = 0.15, 2.5
_ROOM_COHERENCE, _ROOM_FALL = 0.85, 0.6
_CLEAR_FALL_DB = 10.0
"""Where close mics fall less, the part has no stops and tells nothing of rooms."""
_STRANGER, _BELONGS = 0.25, 0.5
_FEWEST = 3
"""Sounding tracks of a performance, from where on one of them can be the odd one."""

Files = Mapping[str, str]
"""Mic -> file, of one performance."""


def draft(folder: Path, names: Sequence[str]) -> str:
    """The proposed recipe, as YAML with comments, of the audio files `names` (paths below `folder`, with /).

    Raises TracksError where there is nothing to propose.
    """
    return recipe_text(propose(folder, names))


def propose(folder: Path, names: Sequence[str]) -> Proposal:
    """The proposal behind `draft`, as a record."""
    if not names:
        raise _error("draft-no-audio", folder, "no audio file is here")
    if len(names) > MOST_FILES:
        raise _error("draft-too-many-files", folder, f"{len(names)} audio files are here", f"at most {MOST_FILES}")
    odd = [name for name in names if not name.isprintable() or "\\" in name or len(name) > _MOST_PATH]
    heard, left_out = usable(folder, [name for name in names if name not in odd])
    left_out = [LeftOut(ascii(name)[1:-1], "its name cannot be written in a recipe") for name in odd] + left_out
    if not heard:
        what = f"none of the {len(names)} audio files can be used; the first: {left_out[0].file}: {left_out[0].why}"
        raise _error("draft-nothing-usable", folder, what)
    sounds = Sounds(heard)
    chosen = choose(sounds)
    placed, shared = _one_a_place(chosen.grid)
    mics, performances = {item.mic for item in placed}, {item.performance for item in placed}
    unsided = len(mics) == 1 and all(item.file.side is None for item in placed)
    if len(mics) > MOST_MICS or (unsided and len(performances) > _MOST_UNSIDED):
        raise _error("draft-no-order", folder, "the names show no order of performances and mics")
    return _proposal(folder.resolve().name, placed, sounds, [*left_out, *shared], _questions(chosen))


def _error(slug: str, folder: Path, what: str, allowed: str = "") -> TracksError:
    return TracksError(Problem(slug, str(folder), what, allowed))


def _one_a_place(grid: Grid) -> tuple[list[Placed], list[LeftOut]]:
    """The first file of each place, and those that would share it."""
    first: dict[tuple[Key, Key], Placed] = {}
    shared = []
    for item in grid.placed:
        other = first.setdefault((item.performance, item.mic), item)
        if other is not item:
            why = f"by its name the same mic and performance as '{other.file.name}'"
            shared.append(LeftOut(item.file.name, why, "which of the two is it?"))
    return list(first.values()), shared


def _questions(chosen: Chosen) -> tuple[str, ...]:
    if chosen.by_audio:
        return (
            "The names do not tell the performances: they were put together by the audio. Is each one right, and "
            "are its mics in the same order?",
        )
    if not chosen.agrees:
        return (
            "By their names some files belong together that do not sound like one performance, or the other way "
            "round. Are the names right?",
        )
    return ()


def _proposal(
    folder: str, placed: Sequence[Placed], sounds: Sounds, left_out: Sequence[LeftOut], questions: tuple[str, ...]
) -> Proposal:
    p_names = performance_names(list(dict.fromkeys(item.performance for item in placed)))
    m_names = mic_names(list(dict.fromkeys(item.mic for item in placed)), p_names.values())
    files: dict[str, dict[str, str]] = {name: {} for name in p_names.values()}
    for item in placed:
        files[p_names[item.performance]][m_names[item.mic]] = item.file.name
    mics = [_mic(key, name, files.values(), sounds) for key, name in m_names.items()]
    rows = [_track(p_names[item.performance], m_names[item.mic], item.file.text, files, sounds) for item in placed]
    performances = [_performance(key, name, number) for number, (key, name) in enumerate(p_names.items())]
    mics, performances, rows, dropped = _with_reference(mics, performances, rows)
    pattern = None if dropped else find_pattern(placed, p_names, m_names, [item.file for item in left_out])
    if pattern is not None:
        mics = [replace(mic, aliases=pattern.mics[mic.name]) for mic in mics]
        performances = [replace(one, aliases=pattern.performances[one.name]) for one in performances]
    return Proposal(
        folder,
        pattern.text if pattern else None,
        mics[0].name,
        tuple(mics),
        tuple(performances),
        tuple(rows),
        (*left_out, *dropped),
        questions,
    )


def _performance(key: Key, name: str, number: int) -> DraftPerformance:
    """A performance with its side; number: place among the performances, from 0."""
    told = next((word for word in key if word in SIDE_NAMES), None)
    if told is not None:
        return DraftPerformance(name, told, "sure", "by name")
    guess = SIDE_NAMES[number % 2] if key else "centre"
    question = "which side is it heard on: left, right or centre?"
    return DraftPerformance(name, guess, "guessed", "nothing tells the side", question)


def _mic(key: Key, name: str, performances: Iterable[Files], sounds: Sounds) -> DraftMic:
    """A mic with its role; where name and audio disagree the name counts, with a question."""
    words = set(key) & set(MICS.values())
    named: Role | None = next((ROLES[word] for word in ("room", "sub") if word in words), "close" if words else None)
    heard, figures = _heard_role(name, performances, sounds)
    if named is None:
        why = "nothing in name or audio says otherwise" if heard == "close" else f"by the audio: {figures}"
        return DraftMic(name, heard, "likely", why)
    if heard == named:
        return DraftMic(name, named, "sure", "by name and audio" if named != "close" else "by name")
    if not figures:
        return DraftMic(name, named, "likely", "by name")
    question = f"the name says {named}, the audio sounds like {heard} ({figures}): which one?"
    return DraftMic(name, named, "guessed", "by name", question=question)


def _heard_role(mic: str, performances: Iterable[Files], sounds: Sounds) -> tuple[Role, str]:
    """What the audio says, and its figures; no figures where there is nothing to compare with."""
    rows: list[tuple[float, float, float, float, float]] = []
    for files in performances:
        sounding = {name: sounds.heard[file] for name, file in files.items() if not sounds.heard[file].silent}
        mine = sounding.pop(mic, None)
        if mine is not None and sounding:
            rows.append(
                (
                    mine.low_share,
                    float(np.median([other.low_share for other in sounding.values()])),
                    mine.fall_db,
                    max(other.fall_db for other in sounding.values()),
                    max(sounds.coherence(files[mic], files[name]) for name in sounding),
                )
            )
    if not rows:
        return "close", ""
    share, share_others, falls, falls_others, close = (float(value) for value in np.mean(rows, axis=0))
    if share > _LOW_SHARE and share > _LOW_RATIO * share_others:
        return "sub", f"{100 * share:.0f} % of its power is below 150 Hz, {100 * share_others:.0f} % of the others'"
    if falls_others > _CLEAR_FALL_DB and falls < _ROOM_FALL * falls_others and close < _ROOM_COHERENCE:
        return "room", f"it falls by {falls:.0f} dB at the stops, others by {falls_others:.0f}; coherence {close:.2f}"
    return "close", f"{100 * share:.0f} % of its power is below 150 Hz, coherence {close:.2f}"


def _track(performance: str, mic: str, text: str, performances: Mapping[str, Files], sounds: Sounds) -> DraftTrack:
    if sounds.heard[performances[performance][mic]].silent:
        return DraftTrack(performance, mic, text, True, "silent from start to end: dead, or the wrong file?")
    note = _stranger(performance, mic, performances, sounds)
    return DraftTrack(performance, mic, text, bool(note), f"{note}: the wrong file?" if note else "")


def _stranger(performance: str, mic: str, performances: Mapping[str, Files], sounds: Sounds) -> str:
    """What is odd about a track that does not hear its own performance; '' where it does, or nothing can be told."""
    mine = performances[performance][mic]

    def nearest(files: Files) -> float:
        return max((sounds.coherence(mine, file) for file in files.values() if file != mine), default=0.0)

    own = nearest(performances[performance])
    sounding = sum(not sounds.heard[file].silent for file in performances[performance].values())
    if sounding < _FEWEST or own >= _STRANGER:
        return ""
    for name, files in performances.items():
        if name != performance and nearest(files) > _BELONGS:
            return f"it sounds like a track of {name} (coherence with its own performance {own:.2f})"
    return f"it hears nothing of its own performance (coherence {own:.2f}): hum, or another take's file"


def _with_reference(
    mics: list[DraftMic], performances: list[DraftPerformance], rows: list[DraftTrack]
) -> tuple[list[DraftMic], list[DraftPerformance], list[DraftTrack], list[LeftOut]]:
    """Mics with the reference first, and the performances that have it; the others are left out.

    The reference is a close mic that sounds in most performances, a dynamic one where several do.
    """
    sounding = {(row.mic, row.performance) for row in rows if not row.mute}

    def rank(mic: DraftMic) -> tuple[bool, int, bool]:
        count = sum((mic.name, performance.name) in sounding for performance in performances)
        return mic.role == "close", count, mic.name.startswith("dynamic")

    reference = max(mics, key=rank)
    if reference.role != "close":
        reference = replace(reference, role="close", sure="guessed", question="is this a close mic? One is needed")
    has = {performance for mic, performance in sounding if mic == reference.name}
    if not has:
        # Nothing sounds at all: the tracks are proposed as their names say, and a render says what is wrong with them.
        has = {row.performance for row in rows if row.mic == reference.name}
        rows = [replace(row, mute=False) for row in rows]
    kept = [performance for performance in performances if performance.name in has]
    why = f"its performance has no sound of the reference '{reference.name}'"
    dropped = [LeftOut(row.file, why, "which performance is it?") for row in rows if row.performance not in has]
    rows = [row for row in rows if row.performance in has]
    left = {row.mic for row in rows}
    others = [mic for mic in mics if mic.name != reference.name and mic.name in left]
    ordered = [reference, *sorted(others, key=lambda mic: ("close", "sub", "room").index(mic.role))]
    kept.sort(key=lambda performance: SIDE_NAMES.index(performance.bus))
    holes = {mic.name: sum(row.mic == mic.name for row in rows) < len(kept) for mic in ordered}
    return [replace(mic, optional=holes[mic.name]) for mic in ordered], kept, rows, dropped
