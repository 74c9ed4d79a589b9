"""Choosing among the grids that the names allow, by the audio; and a grid from the audio alone where names say nothing.

Tracks of one performance are coherent, those of two performances are not.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import combinations

from premix.draft.grid import Grid, Key, Placed, grids
from premix.draft.names import Named
from premix.draft.sound import Heard

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
