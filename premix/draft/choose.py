"""Choosing among the grids that the names allow, by the audio; and a grid from the audio alone where names say nothing.

Tracks of one performance are coherent, those of two performances are not.
"""

import re
from collections.abc import Mapping
from dataclasses import replace
from itertools import combinations

from premix.draft.grid import Grid, Key, Placed, grids
from premix.draft.names import Named
from premix.draft.sound import Heard, coherence, togetherness

_NEAR = 2.5
"""Grids whose costs differ by less are told apart by the audio."""
_TOGETHER, _APART = 0.5, 0.3
_MOST_CLUSTERED = 64


def choose(heard: Mapping[str, Heard]) -> tuple[Grid, bool]:
    """The grid of the files, and whether the performances come from the audio alone."""
    offered = grids(list(heard))
    best = offered[0]
    near = [grid for grid in offered if grid.together == best.together and grid.cost < best.cost + _NEAR]
    if len(near) > 1:
        best = max(near, key=lambda grid: round(_togetherness(grid, heard), 1))
    if _togetherness(best, heard) < _TOGETHER or len(best.performances()) == 1 or _one_mic(best):
        clustered = _clustered(best, heard)
        if clustered is not None:
            return clustered, True
    return best, False


def _one_mic(grid: Grid) -> bool:
    return len({item.mic for item in grid.placed}) == 1


def _togetherness(grid: Grid, heard: Mapping[str, Heard]) -> float:
    groups = [[heard[item.file.name] for item in items] for items in grid.performances().values()]
    return togetherness([[item for item in group if not item.silent] for group in groups])


def _clustered(grid: Grid, heard: Mapping[str, Heard]) -> Grid | None:
    """Performances of tracks that are coherent; None where that gives no order, or the one that is there."""
    names = sorted((item.file.name for item in grid.placed), key=_natural)
    if len(names) > _MOST_CLUSTERED:
        return None
    groups = _groups(names, heard)
    if len(groups) == len(names) or frozenset(map(frozenset, groups)) == grid.partition():
        return None
    files = {item.file.name: item for item in grid.placed}
    named = [[_mic_words(files[name].file) for name in group] for group in groups]
    if not all(len(set(mics)) == len(mics) and all(mics) for mics in named):
        if len({len(group) for group in groups}) > 1:
            return None
        named = [[(f"mic_{number + 1}",) for number in range(len(group))] for group in groups]
    placed = tuple(
        replace(files[name], performance=_performance(files, group, number), mic=mic, axes=())
        for number, (group, mics) in enumerate(zip(groups, named, strict=True))
        for name, mic in zip(group, mics, strict=True)
    )
    return Grid(placed, grid.cost, 0)


def _groups(names: list[str], heard: Mapping[str, Heard]) -> list[list[str]]:
    """Files linked by coherence, each group in order of the names; silent files are groups of their own."""
    group = {name: name for name in names}
    for a, b in combinations(names, 2):
        if group[a] != group[b] and coherence(heard[a], heard[b]) > _APART:
            old, new = group[b], group[a]
            group = {name: new if mine == old else mine for name, mine in group.items()}
    found: dict[str, list[str]] = {}
    for name in names:
        found.setdefault(group[name], []).append(name)
    return list(found.values())


def _mic_words(file: Named) -> Key:
    return tuple(token.means for token in file.tokens if token.kind == "mic")


def _performance(files: Mapping[str, Placed], group: list[str], number: int) -> Key:
    """The side that all names of a group tell, and the group's number."""
    sides = {files[name].file.side for name in group}
    side = sides.pop() if len(sides) == 1 else None
    return (side, str(number + 1)) if side else (f"guitar_{number + 1}",)


def _natural(name: str) -> list[tuple[int, str]]:
    """A key that sorts 'Audio 2' before 'Audio 10'."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", name.casefold())]
