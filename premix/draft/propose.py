"""The draft of one song: from a folder, and the names of the audio files in it, to a proposal.

Sides come from names, or are guessed with a question; roles come from names and from the audio (`premix.draft.roles`).
Every question names the files that it is about.
"""

from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

from premix.draft.grid import Chosen, Grid, Placed, choose, doubtful, natural
from premix.draft.proposal import DraftMic, DraftPerformance, DraftTrack, Key, LeftOut, Proposal
from premix.draft.roles import draft_mics, draft_track, shown
from premix.draft.set_ups import amp_groups, with_channels, with_split_rooms
from premix.draft.sound import Sounds, usable
from premix.draft.spelling import find_pattern, mic_names, performance_names, widened
from premix.draft.words import SIDE_NAMES
from premix.errors import Problem, TracksError
from premix.model.names import fold

MOST_FILES = 256
MOST_MICS = 64
_MOST_UNSIDED = 16
"""Performances of one mic and no side; more of them are a pile of files."""
_MOST_PATH = 400
_MOST_PAIRS = 6


def propose(folder: Path, names: Sequence[str], has_song_file: bool = False) -> Proposal:
    """The proposal for the audio files `names` (paths below `folder`, with /).

    has_song_file: a song.yaml of the user's lies there, which may give the song another name than the folder's.
    Raises TracksError where there is nothing to propose.
    """
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
    sounds, alone = _without_lone_pairs(Sounds(heard))
    left_out += alone
    chosen = choose(sounds)
    placed, shared = _one_a_place(chosen.grid)
    mics, performances = {item.mic for item in placed}, {item.performance for item in placed}
    unsided = len(mics) == 1 and all(item.file.side is None for item in placed)
    if len(mics) > MOST_MICS or (unsided and len(performances) > _MOST_UNSIDED):
        raise _error("draft-no-order", folder, "the names show no order of performances and mics")
    song = "" if has_song_file else folder.resolve().name
    proposal = _proposal(folder, placed, sounds, [*left_out, *shared], song)
    asked = {fold(track.file) for track in proposal.tracks if track.note}
    return replace(proposal, questions=_questions(chosen, sounds, asked), has_song_file=has_song_file)


def _without_lone_pairs(sounds: Sounds) -> tuple[Sounds, list[LeftOut]]:
    """The files but for stereo ones whose names say no performance that others have: a mix, rather than a mic."""
    placed = choose(sounds).grid.placed
    mono = {item.performance for item in placed if not sounds.heard[item.file.name].is_pair}
    alone = [item.file.name for item in placed if item.performance not in mono]
    if not mono or not alone:
        return sounds, []
    rest = Sounds({name: heard for name, heard in sounds.heard.items() if name not in alone})
    why = "it is stereo, and its two channels differ; no other file is of its performance"
    return rest, [LeftOut(name, why, "is it a mix, or which performance is it?") for name in alone]


def _error(slug: str, folder: Path, what: str, allowed: str = "") -> TracksError:
    return TracksError(Problem(slug, str(folder), what, allowed))


def _one_a_place(grid: Grid) -> tuple[list[Placed], list[LeftOut]]:
    """The first file of each place, and those that would share it."""
    first: dict[tuple[Key, Key], Placed] = {}
    shared = []
    for item in grid.placed:
        other = first.setdefault((item.performance, item.mic), item)
        if other is not item:
            why = f"by its name the same mic and performance as {shown([other.file.name])}"
            shared.append(LeftOut(item.file.name, why, "which of the two is it?"))
    return list(first.values()), shared


def _questions(chosen: Chosen, sounds: Sounds, asked: Collection[str]) -> tuple[str, ...]:
    """What is doubtful about the whole. asked: folded names of files that have a question of their own."""
    if chosen.by_audio:
        groups: dict[Key, list[str]] = {}
        for item in chosen.grid.placed:
            groups.setdefault(item.performance, []).append(item.file.name)
        told = "; ".join(f"{'_'.join(key)}: {shown(files)}" for key, files in groups.items())
        question = (
            "The names do not tell the performances: they were put together by the audio. Is each one right, and are "
            f"its mics in the same order? {told}"
        )
        return (question,)
    if chosen.agrees:
        return ()
    pairs = [pair for pair in doubtful(chosen.grid, sounds) if not {*map(fold, pair[1:])} & {*asked}]
    same = {item.file.name: item.performance for item in chosen.grid.placed}
    denied = [
        f"{shown((a, b))} are {'one performance' if same[a] == same[b] else 'two performances'} by their names, "
        f"{'two' if same[a] == same[b] else 'one'} by their sound (coherence {coherence:.2f}): are the names right?"
        for coherence, a, b in pairs[:_MOST_PAIRS]
    ]
    return (*denied, *([f"and {len(pairs) - _MOST_PAIRS} more such pairs"] if len(pairs) > _MOST_PAIRS else []))


def _proposal(
    folder: Path, placed: Sequence[Placed], sounds: Sounds, left_out: Sequence[LeftOut], song: str
) -> Proposal:
    placed = widened(placed)
    p_names = performance_names(placed)
    m_names = mic_names(placed, p_names.values())
    files: dict[str, dict[str, str]] = {name: {} for name in p_names.values()}
    texts: dict[tuple[str, str], str] = {}
    for item in placed:
        files[p_names[item.performance]][m_names[item.mic]] = item.file.name
        texts[p_names[item.performance], m_names[item.mic]] = item.file.text
    mics = draft_mics(m_names, list(files.values()), sounds)
    rows = [draft_track(one, mics[mic], text, files, sounds) for (one, mic), text in texts.items()]
    performances = [
        _performance(key, name, number, list(files[name].values()))
        for number, (key, name) in enumerate(p_names.items())
    ]
    mics = dict(zip(mics, with_split_rooms(list(mics.values())), strict=True))
    groups = amp_groups(placed, m_names, list(mics.values()), list(files.values()), sounds)
    ordered, performances, rows, dropped = _with_reference(list(mics.values()), performances, rows)
    kept = {(row.performance, row.mic) for row in rows}
    used = [item for item in placed if (p_names[item.performance], m_names[item.mic]) in kept]
    p_used = {key: name for key, name in p_names.items() if any(name == row.performance for row in rows)}
    m_used = {key: name for key, name in m_names.items() if any(name == row.mic for row in rows)}
    others = [item.file for item in (*left_out, *dropped)]
    pattern = find_pattern(used, p_used, m_used, others, song)
    if pattern is not None:
        ordered = [replace(mic, aliases=pattern.mics[mic.name]) for mic in ordered]
        performances = [replace(one, aliases=pattern.performances[one.name]) for one in performances]
    proposal = Proposal(
        folder,
        pattern.text if pattern else None,
        ordered[0].name,
        tuple(ordered),
        tuple(performances),
        tuple(rows),
        (*left_out, *dropped),
        files={(row.performance, row.mic): row.file for row in rows},
        groups=tuple(group for group in groups if {*group.mics} <= {mic.name for mic in ordered}),
    )
    pairs = [pair for pair in kept if sounds.heard[files[pair[0]][pair[1]]].is_pair]
    return with_channels(proposal, pairs)


def _performance(key: Key, name: str, number: int, files: Sequence[str]) -> DraftPerformance:
    """A performance with its side; number: place among the performances, from 0."""
    told = next((word for word in key if word in SIDE_NAMES), None)
    if told is not None:
        return DraftPerformance(name, key, told, "sure", "by name")
    guess = SIDE_NAMES[number % 2] if key else "centre"
    question = f"which side is it heard on: left, right or centre? {shown(files)}"
    return DraftPerformance(name, key, guess, "guessed", "nothing tells the side", question)


def _with_reference(
    mics: list[DraftMic], performances: list[DraftPerformance], rows: list[DraftTrack]
) -> tuple[list[DraftMic], list[DraftPerformance], list[DraftTrack], list[LeftOut]]:
    """Mics with the reference first, and the performances that have it; the others are left out.

    The reference is a close mic that sounds in most performances, a dynamic one where several do.
    """
    sounding = {(row.mic, row.performance) for row in rows if not row.mute}

    def rank(mic: DraftMic) -> tuple[bool, int, bool]:
        count = sum((mic.name, performance.name) in sounding for performance in performances)
        return mic.role == "close", count, "dynamic" in mic.key

    reference = max(mics, key=rank)
    if reference.role != "close":
        reference = replace(
            reference,
            role="close",
            sure="guessed",
            question=f"is this a close mic? One is needed: {_files_of(reference, rows)}",
        )
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
    ordered = [reference, *sorted(others, key=lambda mic: ("close", "sub", "room", "di").index(mic.role))]
    kept.sort(key=lambda performance: (SIDE_NAMES.index(performance.bus), natural(performance.name)))
    return ordered, kept, rows, dropped


def _files_of(mic: DraftMic, rows: Sequence[DraftTrack]) -> str:
    return shown(row.file for row in rows if row.mic == mic.name)
