"""The side of a performance: from its name, or a guess and a question.

Choosing among the grids that the names allow, by the audio; and a grid from the audio alone where names say nothing.

Tracks of one performance are coherent, those of two performances are not.

Roles of the mics from their names and from the audio, and tracks that do not hear their performance.

A sub mic has far more of its power below 150 Hz than the others. A room mic is less coherent with the close mics and
rings on where they stop. On recordings of one cabinet close mics were coherent to 0.9 and more, room mics to 0.5 to
0.7, and files of another take to less than 0.2.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from premix.draft.grid import Grid, Key, Placed, grids
from premix.draft.names import Named
from premix.draft.sound import Heard
from premix.draft.write import Sure
from premix.model.recipe import Role

_TOLD = ("left", "right", "centre")


def find_side(key: Key, number: int) -> tuple[str, Sure, str, str]:
    """Bus, how sure it is, where it comes from, and the question; number: place among the performances, from 0."""
    for word in key:
        if word in _TOLD:
            return word, "sure", "by name", ""
    if not key:
        return "centre", "guessed", "nothing tells the side", "which side is it heard on: left, right or centre?"
    guess = _TOLD[number % 2]
    return guess, "guessed", "nothing tells the side", "which side is it heard on: left, right or centre?"


Coherence = Callable[[str, str], float]
"""Of two files, by name."""

_NEAR = 6.0
"""Grids whose costs differ by less are told apart by the audio."""
_COHERENT = 0.3
"""Between tracks of one performance (0.5 and more, rooms too) and of two (under 0.2)."""
_AGREES = 0.9
_EMPTY = 2.0
"""Places for each file, from where on the names have no order of their own."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """The grid of the files. by_audio: its performances come from the audio; agrees: the audio does not object."""

    grid: Grid
    by_audio: bool
    agrees: bool


def choose(heard: Mapping[str, Heard], coherence: Coherence) -> Chosen:
    """The likeliest grid of the files."""
    offered = grids(list(heard))
    near = [g for g in offered if g.together == offered[0].together and g.cost < offered[0].cost + _NEAR]
    best = max(near, key=lambda grid: round(_agreement(grid, heard, coherence), 1))
    agrees = _agreement(best, heard, coherence) >= _AGREES
    if _sparse(best) or (not agrees and _weak(best)):
        clustered = _clustered(best, coherence)
        if clustered is not None:
            return Chosen(clustered, True, True)
    return Chosen(best, False, agrees)


def _weak(grid: Grid) -> bool:
    """Whether the names alone give no order: sides are missing, or files share a place."""
    return grid.together > 0 or any(item.file.side is None for item in grid.placed)


def _sparse(grid: Grid) -> bool:
    """Whether most places are empty: no mic is the same in two performances by its name."""
    places = len({item.performance for item in grid.placed}) * len({item.mic for item in grid.placed})
    return places > _EMPTY * len(grid.placed)


def _agreement(grid: Grid, heard: Mapping[str, Heard], coherence: Coherence) -> float:
    """Part of the pairs of sounding files that are coherent and in one performance, or neither (Rand 1971)."""
    sounding = [item for item in grid.placed if not heard[item.file.name].silent]
    right = [
        (coherence(a.file.name, b.file.name) > _COHERENT) == (a.performance == b.performance)
        for a, b in combinations(sounding, 2)
    ]
    return sum(right) / len(right) if right else 1.0


def _clustered(grid: Grid, coherence: Coherence) -> Grid | None:
    """Performances of tracks that are coherent; None where that gives no order, or the one that is there."""
    names = sorted((item.file.name for item in grid.placed), key=_natural)
    groups = _groups(names, coherence)
    if len(groups) == len(names) or (not _sparse(grid) and frozenset(map(frozenset, groups)) == grid.partition()):
        return None
    files = {item.file.name: item for item in grid.placed}
    named = [[_mic_words(files[name].file) for name in group] for group in groups]
    if not all(len(set(mics)) == len(mics) and all(mics) for mics in named):
        if len({len(group) for group in groups}) > 1:
            return None
        named = [[(f"mic_{number + 1}",) for number in range(len(group))] for group in groups]
    placed = tuple(
        replace(files[name], performance=performance, mic=mic, axes=())
        for performance, group, mics in zip(_performances(files, groups), groups, named, strict=True)
        for name, mic in zip(group, mics, strict=True)
    )
    return Grid(placed, grid.cost, 0)


def _groups(names: list[str], coherence: Coherence) -> list[list[str]]:
    """Files linked by coherence, each group in order of the names; silent files are groups of their own."""
    group = {name: name for name in names}
    for a, b in combinations(names, 2):
        if group[a] != group[b] and coherence(a, b) > _COHERENT:
            old, new = group[b], group[a]
            group = {name: new if mine == old else mine for name, mine in group.items()}
    found: dict[str, list[str]] = {}
    for name in names:
        found.setdefault(group[name], []).append(name)
    return list(found.values())


def _mic_words(file: Named) -> Key:
    return tuple(token.means for token in file.tokens if token.kind == "mic")


def _performances(files: Mapping[str, Placed], groups: list[list[str]]) -> list[Key]:
    """A key for each group: the side that all its names tell, and a number where that is not enough."""
    told = [{files[name].file.side for name in group} for group in groups]
    sides = [side.pop() if len(side) == 1 else None for side in told]
    return [
        (f"guitar_{number}",) if side is None else (side,) if sides.count(side) == 1 else (side, str(number))
        for number, side in enumerate(sides, 1)
    ]


def _natural(name: str) -> list[tuple[int, str]]:
    """A key that sorts 'Audio 2' before 'Audio 10'."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", name.casefold())]


_ROOM_COHERENCE, _ROOM_FALL = 0.85, 0.6
_LOW_SHARE, _LOW_RATIO = 0.15, 2.5
_STRANGER, _BELONGS = 0.25, 0.5
_FEWEST = 3
"""Sounding tracks of a performance, from where on one of them can be the odd one."""
_CLEAR_FALL_DB = 10.0
"""Where close mics fall less, the part has no stops and tells nothing of rooms."""


@dataclass(frozen=True, slots=True)
class HeardTrack:
    """A file's name and what it sounds like."""

    file: str
    heard: Heard


Tracks = Mapping[str, HeardTrack]
"""Mic -> track, of one performance."""


@dataclass(frozen=True, slots=True)
class RoleFound:
    """A role, how sure it is, where it comes from, and a question where name and audio disagree."""

    role: Role
    sure: Sure
    why: str
    question: str = ""


def find_role(mic: str, named: Role | None, performances: Sequence[Tracks], coherence: Coherence) -> RoleFound:
    """The role of one mic; named: what its name says, None where it says nothing."""
    heard, figures = _heard_role(mic, performances, coherence)
    if named is None:
        if heard == "close":
            return RoleFound("close", "likely", "nothing in name or audio says otherwise")
        return RoleFound(heard, "likely", f"by the audio: {figures}")
    if heard == named:
        return RoleFound(named, "sure", "by name and audio" if named != "close" else "by name")
    if not figures:
        return RoleFound(named, "likely", "by name")
    question = f"the name says {named}, the audio sounds like {heard} ({figures}): which one?"
    return RoleFound(named, "guessed", "by name", question)


def _heard_role(mic: str, performances: Sequence[Tracks], coherence: Coherence) -> tuple[Role, str]:
    """What the audio says, and its figures; no figures where there is nothing to compare with."""
    rows: list[tuple[float, float, float, float, float]] = []
    for tracks in performances:
        others = [track for name, track in tracks.items() if name != mic and not track.heard.silent]
        mine = tracks.get(mic)
        if mine is None or mine.heard.silent or not others:
            continue
        rows.append(
            (
                mine.heard.low_share,
                float(np.median([other.heard.low_share for other in others])),
                mine.heard.fall_db,
                max(other.heard.fall_db for other in others),
                max(coherence(mine.file, other.file) for other in others),
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


def stranger(performance: str, mic: str, performances: Mapping[str, Tracks], coherence: Coherence) -> str:
    """What is odd about a track that does not hear its own performance; '' where it does, or nothing can be told."""
    mine = performances[performance][mic]

    def nearest(tracks: Tracks) -> float:
        return max((coherence(mine.file, t.file) for t in tracks.values() if t.file != mine.file), default=0.0)

    own = nearest(performances[performance])
    others = sum(not track.heard.silent for track in performances[performance].values())
    if mine.heard.silent or others < _FEWEST or own >= _STRANGER:
        return ""
    for name, tracks in performances.items():
        if name != performance and nearest(tracks) > _BELONGS:
            return f"it sounds like a track of {name} (coherence with its own performance {own:.2f})"
    return f"it hears nothing of its own performance (coherence {own:.2f}): hum, or another take's file"
