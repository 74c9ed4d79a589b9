"""The draft of a recipe, from a folder and the names of the audio files in it to the recipe's text."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from premix.draft.grid import Grid, Key, Placed, find_pattern, mic_names, performance_names
from premix.draft.names import MICS, ROLES
from premix.draft.roles import Chosen, Coherence, HeardTrack, Tracks, choose, find_role, find_side, stranger
from premix.draft.sound import Heard, coherences, usable
from premix.draft.write import DraftMic, DraftPerformance, DraftTrack, LeftOut, Proposal, recipe_text
from premix.errors import Problem, TracksError
from premix.model.recipe import Role

MOST_FILES = 256
MOST_MICS = 64
_MOST_UNSIDED = 16
"""Performances of one mic and no side; more of them are a pile of files."""
_MOST_PATH = 400


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
    odd = [name for name in names if not _is_text(name)]
    heard, left_out = usable(folder, [name for name in names if _is_text(name)])
    left_out = [LeftOut(ascii(name)[1:-1], "its name cannot be written in a recipe") for name in odd] + left_out
    if not heard:
        what = f"none of the {len(names)} audio files can be used; the first: {left_out[0].file}: {left_out[0].why}"
        raise _error("draft-nothing-usable", folder, what)
    coherence = _coherence(heard)
    chosen = choose(heard, coherence)
    placed, shared = _one_a_place(chosen.grid)
    mics, performances = {item.mic for item in placed}, {item.performance for item in placed}
    unsided = len(mics) == 1 and all(item.file.side is None for item in placed)
    if len(mics) > MOST_MICS or (unsided and len(performances) > _MOST_UNSIDED):
        raise _error("draft-no-order", folder, "the names show no order of performances and mics")
    return _proposal(folder, placed, heard, [*left_out, *shared], coherence, _questions(chosen))


def _coherence(heard: Mapping[str, Heard]) -> Coherence:
    matrix = coherences(list(heard.values()))
    place = {name: number for number, name in enumerate(heard)}
    return lambda a, b: float(matrix[place[a], place[b]])


def _is_text(name: str) -> bool:
    return name.isprintable() and "\\" not in name and len(name) <= _MOST_PATH


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


def _proposal(
    folder: Path,
    placed: Sequence[Placed],
    heard: Mapping[str, Heard],
    left_out: Sequence[LeftOut],
    coherence: Coherence,
    questions: tuple[str, ...],
) -> Proposal:
    p_names = performance_names(list(dict.fromkeys(item.performance for item in placed)))
    m_names = mic_names(list(dict.fromkeys(item.mic for item in placed)), list(p_names.values()))
    tracks: dict[str, dict[str, HeardTrack]] = {name: {} for name in p_names.values()}
    for item in placed:
        tracks[p_names[item.performance]][m_names[item.mic]] = HeardTrack(item.file.name, heard[item.file.name])
    mics = [_mic(key, name, tracks, coherence) for key, name in m_names.items()]
    rows = [_track(p_names[item.performance], m_names[item.mic], item.file.text, tracks, coherence) for item in placed]
    performances = [DraftPerformance(name, *find_side(key, n)) for n, (key, name) in enumerate(p_names.items())]
    mics, performances, rows, dropped = _with_reference(mics, performances, rows)
    pattern = None if dropped else find_pattern(placed, p_names, m_names, [item.file for item in left_out])
    if pattern is not None:
        by_name = {m_names[key]: spelled for key, spelled in pattern.mics.items()}
        mics = [replace(mic, aliases=by_name[mic.name]) for mic in mics]
        by_name = {p_names[key]: spelled for key, spelled in pattern.performances.items()}
        performances = [replace(performance, aliases=by_name[performance.name]) for performance in performances]
    return Proposal(
        folder.resolve().name,
        pattern.text if pattern else None,
        mics[0].name,
        tuple(mics),
        tuple(performances),
        tuple(rows),
        (*left_out, *dropped),
        questions,
    )


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


def _mic(key: Key, name: str, tracks: Mapping[str, Tracks], coherence: Coherence) -> DraftMic:
    words = set(key) & set(MICS.values())
    named: Role | None = next((ROLES[word] for word in ("room", "sub") if word in words), "close" if words else None)
    found = find_role(name, named, list(tracks.values()), coherence)
    missing = [performance for performance, mics in tracks.items() if name not in mics]
    return DraftMic(name, found.role, found.sure, found.why, bool(missing), found.question)


def _track(performance: str, mic: str, file: str, tracks: Mapping[str, Tracks], coherence: Coherence) -> DraftTrack:
    if tracks[performance][mic].heard.silent:
        return DraftTrack(performance, mic, file, True, "silent from start to end: dead, or the wrong file?")
    note = stranger(performance, mic, tracks, coherence)
    return DraftTrack(performance, mic, file, bool(note), f"{note}: the wrong file?" if note else "")


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
    kept.sort(key=lambda performance: ("left", "right", "centre").index(performance.bus))
    holes = {mic.name: sum(row.mic == mic.name for row in rows) < len(kept) for mic in ordered}
    return [replace(mic, optional=holes[mic.name]) for mic in ordered], kept, rows, dropped


def _error(slug: str, folder: Path, what: str, allowed: str = "") -> TracksError:
    return TracksError(Problem(slug, str(folder), what, allowed))
