"""The two axes of a folder's names: which tokens tell the performance and which the mic.

Sides belong to performances and mic words to mics. All other tokens are grouped by kind and by what stands before
them, and every way to give the groups to an axis, or to neither, is priced: files that stay apart come first, then few
performances and few mics (a short description of the folder), then what names usually mean.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import product

from premix.draft.names import Named, Token, readings

Group = tuple[str, str]
Key = tuple[str, ...]
_MOST_GROUPS = 7
_MOST_GRIDS = 4
_LARGE = 20
"""Numbers from here on rather tell a kind of mic than a take."""
_SECOND_READING = 0.5
_NO_SIDE = 0.25


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

    def performances(self) -> dict[Key, list[Placed]]:
        """The files of each performance, in order of the names."""
        found: dict[Key, list[Placed]] = {}
        for item in self.placed:
            found.setdefault(item.performance, []).append(item)
        return found

    def partition(self) -> frozenset[frozenset[str]]:
        """Which files belong to one performance, whatever it is called."""
        return frozenset(frozenset(item.file.name for item in items) for items in self.performances().values())


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


def groups_of(tokens: Sequence[Token]) -> list[Group]:
    """The group of each token: its kind, and what stands before it where that matters."""
    found: list[Group] = []
    before = "start"
    for token in tokens:
        kind = "large number" if token.kind == "number" and int(token.means) >= _LARGE else token.kind
        is_take = before in ("take", "takes", "tk", "prise", "toma", "t")
        found.append((kind, "take" if is_take and token.kind == "number" else _before(before)))
        before = token.text if token.kind == "filler" or token.text == "t" else token.kind
    return found


def _before(text: str) -> str:
    return text if text in ("start", "side", "mic", "number") else "word"


def _assignments(files: Sequence[Named]) -> Iterable[dict[Group, str]]:
    """Every way to give the groups that differ between files to an axis."""
    told: dict[Group, set[Key]] = {}
    every = [list(zip(groups_of(file.tokens), file.tokens, strict=True)) for file in files]
    for group in {group for file in every for group, _ in file if group[0] not in ("side", "mic")}:
        told[group] = {tuple(token.means for g, token in file if g == group) for file in every}
    open_groups = sorted((group for group, values in told.items() if len(values) > 1), key=lambda g: -len(told[g]))
    open_groups = open_groups[:_MOST_GROUPS]
    for choice in product(("", "performance", "mic"), repeat=len(open_groups)):
        yield dict(zip(open_groups, choice, strict=True))


def _grid(files: Sequence[Named], axes: dict[Group, str], extra: float) -> Grid:
    placed = tuple(_placed(file, axes) for file in files)
    performances = {item.performance for item in placed}
    mics = {item.mic for item in placed}
    cells = len({(item.performance, item.mic) for item in placed})
    unsided = _NO_SIDE * sum(file.side is None for file in files)
    cost = len(performances) + len(mics) + extra + unsided + sum(_price(group, axis) for group, axis in axes.items())
    return Grid(placed, cost, len(files) - cells)


def _placed(file: Named, axes: dict[Group, str]) -> Placed:
    own = {"side": "performance", "mic": "mic"}
    told = tuple(own.get(group[0]) or axes.get(group, "") for group in groups_of(file.tokens))

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
        return 0.1 if (axis == "performance") == performance else 1.6
    return 0.1 if axis == "mic" else 1.1
