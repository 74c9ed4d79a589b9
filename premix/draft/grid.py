"""The grid of a folder, performances by mics: which file stands where, from the names first and then from the audio.

Sides belong to performances and mic words to mics. All other tokens are grouped by kind and by what stands before
them, and every way to give the groups to an axis, or to neither, is priced: files that stay apart come first, then few
performances and few mics (a short description of the folder), then what names usually mean.

Among the grids that the names allow the audio chooses, and where names say nothing it makes one: tracks of one
performance are coherent, those of two performances are not.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product

from premix.draft.proposal import Key
from premix.draft.sound import Sounds
from premix.draft.words import TAKES, Named, Token, readings

Group = tuple[str, str]
_MOST_GROUPS = 7
_MOST_GRIDS = 4
_LARGE = 20
"""Numbers from here on rather tell a kind of mic than a take."""
_SECOND_READING = 0.5
_COUNTER: tuple[Group, ...] = (("number", "start"), ("large number", "start"))
_FEWEST_COUNTED = 4
_NO_SIDE = 0.25
_NO_WORD = 2.0
"""Performances or mics that no token tells, beside others that one does: 'left', and 'left' with 'near' after it."""

_NEAR = 6.0
"""Grids whose costs differ by less are told apart by the audio."""
COHERENT = 0.4
"""Between tracks of one performance (0.45 and more, live rooms too) and of two (0.33 and less; a long song: 0.1)."""
_AGREES = 0.9
_COHERENT_PAIR = 3
_EMPTY = 2.0
"""Places for each file, from where on the names have no order of their own."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A file on the grid. axes: for each token 'performance', 'mic' or ''."""

    file: Named
    performance: Key
    mic: Key
    axes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """One way to see the folder. cost: the lower the likelier; together: files that share a place with another."""

    placed: tuple[Placed, ...]
    cost: float
    together: int

    def partition(self) -> frozenset[frozenset[str]]:
        """Which files belong to one performance, whatever it is called."""
        found: dict[Key, set[str]] = {}
        for item in self.placed:
            found.setdefault(item.performance, set()).add(item.file.name)
        return frozenset(map(frozenset, found.values()))


@dataclass(frozen=True, slots=True)
class Chosen:
    """The grid of the files. by_audio: its performances come from the audio; agrees: the audio does not object."""

    grid: Grid
    by_audio: bool
    agrees: bool


def choose(sounds: Sounds) -> Chosen:
    """The likeliest grid of the files."""
    offered = grids(list(sounds.heard))
    near = [g for g in offered if g.together == offered[0].together and g.cost < offered[0].cost + _NEAR]
    best = max(near, key=lambda grid: round(_agreement(grid, sounds), 1))
    agrees = _agreement(best, sounds) >= _AGREES
    # Names alone give no order where sides are missing or files share a place.
    weak = best.together > 0 or any(item.file.side is None for item in best.placed)
    if _sparse(best) or (not agrees and weak):
        clustered = _clustered(best, sounds)
        if clustered is not None:
            return Chosen(clustered, True, True)
    return Chosen(best, False, agrees)


def grids(names: Sequence[str]) -> list[Grid]:
    """The likeliest few grids of a folder's names, best first, no two of them with the same performances."""
    found: list[Grid] = []
    for number, files in enumerate(readings(names)):
        found += (_grid(files, axes, _SECOND_READING * number) for axes in _assignments(files))
    found.sort(key=lambda grid: (grid.together, grid.cost))
    best: dict[frozenset[frozenset[str]], Grid] = {}
    for grid in found:
        best.setdefault(grid.partition(), grid)
        if len(best) == _MOST_GRIDS:
            break
    return list(best.values())


def _assignments(files: Sequence[Named]) -> Iterable[dict[Group, str]]:
    """Every way to give the groups that differ between files to an axis."""
    told: dict[Group, set[Key]] = {}
    every = [list(zip(_groups_of(file.tokens), file.tokens, strict=True)) for file in files]
    counted = _is_counter(files)
    for group in dict.fromkeys(group for file in every for group, _ in file if group[0] not in ("side", "mic")):
        if counted and group in _COUNTER:
            continue
        told[group] = {tuple(token.means for g, token in file if g == group) for file in every}
    open_groups = sorted((group for group, values in told.items() if len(values) > 1), key=lambda g: -len(told[g]))
    open_groups = open_groups[:_MOST_GROUPS]
    for choice in product(("", "performance", "mic"), repeat=len(open_groups)):
        yield dict(zip(open_groups, choice, strict=True))


def _is_counter(files: Sequence[Named]) -> bool:
    """Whether every file begins with a number of its own, which tells no axis."""
    first = [file.tokens[0] for file in files if file.tokens]
    own = {token.means for token in first}
    return len(own) == len(files) > _FEWEST_COUNTED and all(token.kind == "number" for token in first)


def _groups_of(tokens: Sequence[Token]) -> list[Group]:
    """The group of each token: its kind, and what stands before it where that matters."""
    found: list[Group] = []
    before = "start"
    says_mic = any(token.kind == "mic" for token in tokens)
    told: set[str] = set()
    for token in tokens:
        if token.kind == "word" and before in ("number", "letter") and "side" in told and "mic" not in told:
            before = "side"  # behind 'left 2' as behind 'left'
        told.add(token.kind)
        if before == "side" and token is tokens[-1] and not says_mic:
            before = "side, last"  # 'left 4' among 'left 1 dyn': the number of a mic, or else of a performance
        kind = "large number" if token.kind == "number" and int(token.means) >= _LARGE else token.kind
        if before in TAKES and token.kind == "number":
            found.append((kind, "take"))
        else:
            found.append((kind, before if before in ("start", "side", "side, last", "mic", "number") else "word"))
        before = token.text if token.kind == "filler" or token.text == "t" else token.kind
    return found


def _grid(files: Sequence[Named], axes: dict[Group, str], extra: float) -> Grid:
    placed = tuple(_placed(file, axes) for file in files)
    performances = {item.performance for item in placed}
    mics = {item.mic for item in placed}
    cells = len({(item.performance, item.mic) for item in placed})
    unsided = _NO_SIDE * sum(file.side is None for file in files)
    wordless = _NO_WORD * sum(() in keys and len(keys) > 1 for keys in (performances, mics))
    cost = (
        len(performances)
        + len(mics)
        + extra
        + unsided
        + wordless
        + sum(_price(group, axis) for group, axis in axes.items())
    )
    return Grid(placed, cost, len(files) - cells)


def _placed(file: Named, axes: dict[Group, str]) -> Placed:
    own = {"side": "performance", "mic": "mic"}
    told = tuple(own.get(group[0]) or axes.get(group, "") for group in _groups_of(file.tokens))

    def key(axis: str) -> Key:
        return tuple(token.means for token, mine in zip(file.tokens, told, strict=True) if mine == axis)

    return Placed(file, key("performance"), key("mic"), told)


def _price(group: Group, axis: str) -> float:
    """How unusual it is that such tokens tell this axis."""
    kind, before = group
    if not axis:
        return 0.0
    if kind == "filler":
        return 0.5
    performance = before == "take" or (kind in ("number", "letter") and before in ("side", "start"))
    if kind == "large number" or before == "mic":
        return 0.1 if axis == "mic" else 1.6
    if kind in ("number", "letter"):
        if before == "side, last":
            return 0.1
        return 0.1 if (axis == "performance") == performance else 1.6
    return 0.1 if axis == "mic" else 1.1


def _sparse(grid: Grid) -> bool:
    """Whether most places are empty: no mic is the same in two performances by its name."""
    places = len({item.performance for item in grid.placed}) * len({item.mic for item in grid.placed})
    return places > _EMPTY * len(grid.placed)


def _agreement(grid: Grid, sounds: Sounds) -> float:
    """Part of the pairs of sounding files that are coherent and in one performance, or neither (Rand 1971).

    Coherent pairs count three times: two performances are never coherent, while a track may hear little of its own.
    """
    right = total = 0
    for a, b in combinations(_judged(grid, sounds), 2):
        coherent = sounds.coherence(a.file.name, b.file.name) > COHERENT
        weight = _COHERENT_PAIR if coherent else 1
        total += weight
        right += weight * (coherent == (a.performance == b.performance))
    return right / total if total else 1.0


def _judged(grid: Grid, sounds: Sounds) -> list[Placed]:
    """The files whose coherence says where they belong: those that are heard, but for what may be a DI."""
    return [
        item
        for item in grid.placed
        if not item.file.is_di and not sounds.stands_out(item.file.name) and not sounds.heard[item.file.name].unheard
    ]


def doubtful(grid: Grid, sounds: Sounds) -> list[tuple[float, str, str]]:
    """Pairs of sounding files whose sound denies what their names say, the clearest first.

    (coherence, file, file): one performance by the names and incoherent, or two and coherent.
    """
    sounding = _judged(grid, sounds)
    found = []
    for a, b in combinations(sounding, 2):
        coherence = sounds.coherence(a.file.name, b.file.name)
        if (coherence > COHERENT) != (a.performance == b.performance):
            found.append((abs(coherence - COHERENT), coherence, a.file.name, b.file.name))
    return [(coherence, a, b) for _, coherence, a, b in sorted(found, reverse=True)]


def _clustered(grid: Grid, sounds: Sounds) -> Grid | None:
    """Performances of tracks that are coherent; None where that gives no order, or the one that is there."""
    names = sorted((item.file.name for item in grid.placed if not item.file.is_di), key=natural)
    groups = _coherent_groups(names, sounds)
    if len(groups) == len(names) or (not _sparse(grid) and frozenset(map(frozenset, groups)) == grid.partition()):
        return None
    files = {item.file.name: item for item in grid.placed}
    mics = [[tuple(t.means for t in files[name].file.tokens if t.kind == "mic") for name in group] for group in groups]
    words = all(len(set(row)) == len(row) and all(row) for row in mics)
    if not words:
        if len({len(group) for group in groups}) > 1:
            return None
        mics = [[(f"mic_{number + 1}",) for number in range(len(group))] for group in groups]

    def axes(name: str) -> tuple[str, ...]:
        return tuple("mic" if words and token.kind == "mic" else "" for token in files[name].file.tokens)

    performances = _performances(files, groups)
    placed = [
        replace(files[name], performance=performance, mic=mic, axes=axes(name))
        for performance, group, row in zip(performances, groups, mics, strict=True)
        for name, mic in zip(group, row, strict=True)
    ]
    for item in grid.placed:
        if item.file.is_di:
            alike = [max(sounds.likeness(item.file.name, name) for name in group) for group in groups]
            whose = performances[alike.index(max(alike))]
            placed.append(replace(item, performance=whose, mic=("di",), axes=("",) * len(item.file.tokens)))
    return Grid(tuple(placed), grid.cost, 0)


def natural(name: str) -> list[tuple[int, str]]:
    """A key that sorts 'Audio 2' before 'Audio 10'."""
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"(\d+)", name.casefold())]


def _coherent_groups(names: list[str], sounds: Sounds) -> list[list[str]]:
    """Files linked by coherence, each group in order of the names; silent files are groups of their own."""
    group = {name: name for name in names}
    for a, b in combinations(names, 2):
        if group[a] != group[b] and sounds.coherence(a, b) > COHERENT:
            old, new = group[b], group[a]
            group = {name: new if mine == old else mine for name, mine in group.items()}
    found: dict[str, list[str]] = {}
    for name in names:
        found.setdefault(group[name], []).append(name)
    return list(found.values())


def _performances(files: Mapping[str, Placed], groups: list[list[str]]) -> list[Key]:
    """A key for each group: the side that all its names tell, and a number where that is not enough."""
    told = [{files[name].file.side for name in group} for group in groups]
    sides = [side.pop() if len(side) == 1 else None for side in told]
    return [
        (f"guitar_{number}",) if side is None else (side,) if sides.count(side) == 1 else (side, str(number))
        for number, side in enumerate(sides, 1)
    ]
