"""The two axes of a folder's names: which tokens tell the performance and which the mic.

Sides belong to performances and mic words to mics. All other tokens are grouped by kind and by what stands before
them, and every way to give the groups to an axis, or to neither, is priced: files that stay apart come first, then few
performances and few mics (a short description of the folder), then what names usually mean.

A pattern of `tracks.name` with aliases that finds every file of a draft and no other, where the names allow one.

Names for the recipe: performances and mics from what their files' names have in common, unique and plain ASCII.
"""

import fnmatch
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

from premix.draft.names import Named, Token, plain, readings

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


Aliases = dict[Key, tuple[str, ...]]
Free = Literal["kept", "star", "absorbed", "star, words absorbed"]
_FREE: tuple[Free, ...] = ("kept", "star", "absorbed", "star, words absorbed")
"""What becomes of tokens that tell neither: they stay, numbers become *, or they join the axis before them."""
_SPECIAL = "*?{}"


@dataclass(frozen=True, slots=True)
class Pattern:
    """text: the pattern; performances, mics: how the files' names spell each."""

    text: str
    performances: Aliases
    mics: Aliases


def find_pattern(
    placed: Sequence[Placed], performances: Mapping[Key, str], mics: Mapping[Key, str], others: Sequence[str]
) -> Pattern | None:
    """The pattern of all the files; None where none finds each track's file alone, beside the `others`."""
    shared = _shared(placed)
    for free in _FREE:
        parts = [_parts(item, free, shared) for item in placed]
        whole = [part for part in parts if part is not None]
        if len(whole) < len(parts) or len({fold(text) for text, _, _ in whole}) > 1:
            continue
        text = whole[0][0]
        p = _spellings([(item.performance, part[1]) for item, part in zip(placed, whole, strict=True)], performances)
        m = _spellings([(item.mic, part[2]) for item, part in zip(placed, whole, strict=True)], mics)
        if p is not None and m is not None and _finds(text, placed, (p, performances), (m, mics), others):
            return Pattern(text, p, m)
    return None


def _shared(placed: Sequence[Placed]) -> set[str]:
    """Tokens that every name has."""
    return set.intersection(*({token.text for token in item.file.tokens} for item in placed))


def fold(text: str) -> str:
    """Text as the recipe's patterns compare it: Unicode form NFC, case ignored."""
    return unicodedata.normalize("NFC", text.casefold())


def _parts(item: Placed, free: Free, shared: set[str]) -> tuple[str, str, str] | None:
    """The pattern that one file's name suggests, and its spellings of performance and mic.

    None where an axis has no token or the two stand mixed.
    """
    name, tokens = item.file.text[: item.file.length], item.file.tokens
    stay = {token.text for token in tokens if token.kind == "number"} if "star" in free else set()
    axes = _absorbed(item, shared | stay) if "absorbed" in free else list(item.axes)
    spans = []
    for axis in ("performance", "mic"):
        own = [token for token, mine in zip(tokens, axes, strict=False) if mine == axis]
        if not own:
            return None
        spans.append((own[0].start, own[-1].end, axis))
    spans.sort()
    (start, end, first), (start_2, end_2, second) = spans
    if end > start_2:
        return None
    stars = [token for token, mine in zip(tokens, axes, strict=True) if not mine and token.kind == "number"]

    def kept(begin: int, stop: int) -> str:
        text = "".join("?" if char in _SPECIAL else char for char in name[begin:stop])
        for token in reversed(stars if "star" in free else ()):
            if begin <= token.start and token.end <= stop:
                text = text[: token.start - begin] + "*" + text[token.end - begin :]
        return text

    pattern = f"{kept(0, start)}{{{first}}}{kept(end, start_2)}{{{second}}}{kept(end_2, len(name))}.*"
    told = {first: name[start:end], second: name[start_2:end_2]}
    return pattern, told["performance"], told["mic"]


def _absorbed(item: Placed, stay: set[str]) -> list[str]:
    """The axes, with each token that is of none given to the axis before it, but for those that stay."""
    axes: list[str] = []
    last = ""
    for token, axis in zip(item.file.tokens, item.axes, strict=False):
        last = axis or last
        axes.append(axis or ("" if token.text in stay else last))
    return axes


def _spellings(pairs: Sequence[tuple[Key, str]], names: Mapping[Key, str]) -> Aliases | None:
    """Spellings by key, but for those equal to the name; None where one spelling stands for two keys."""
    owner = {fold(name): key for key, name in names.items()}
    found: dict[Key, tuple[str, ...]] = dict.fromkeys(names, ())
    for key, text in pairs:
        if owner.setdefault(fold(text), key) != key:
            return None
        if fold(text) != fold(names[key]) and fold(text) not in map(fold, found[key]):
            found[key] = (*found[key], text)
    return found


def _finds(
    text: str,
    placed: Sequence[Placed],
    performances: tuple[Aliases, Mapping[Key, str]],
    mics: tuple[Aliases, Mapping[Key, str]],
    others: Sequence[str],
) -> bool:
    """Whether the pattern gives each pair of performance and mic its own file, or none where there is none."""
    files = [fold(item.file.text) for item in placed] + [fold(name) for name in others]
    wanted = {(item.performance, item.mic): fold(item.file.text) for item in placed}
    for p, p_name in performances[1].items():
        for m, m_name in mics[1].items():
            globs = [
                _glob(text, performance, mic)
                for performance in (p_name, *performances[0][p])
                for mic in (m_name, *mics[0][m])
            ]
            found = {name for glob in globs for name in files if _fits(name.split("/"), glob.split("/"))}
            if found != ({wanted[p, m]} if (p, m) in wanted else set()):
                return False
    return True


def _fits(names: list[str], globs: list[str]) -> bool:
    return len(names) == len(globs) and all(map(fnmatch.fnmatchcase, names, globs))


def _glob(text: str, performance: str, mic: str) -> str:
    """The pattern filled in; what is filled in counts literally."""
    spelled = text.replace("[", "[[]")
    for field, value in (("{performance}", performance), ("{mic}", mic)):
        spelled = spelled.replace(field, re.sub(r"([*?[])", r"[\1]", value))
    return fold(spelled)


_LONGEST = 40


def performance_names(keys: Sequence[Key]) -> dict[Key, str]:
    """Key -> name: the side first, then what tells it from others of that side."""
    sides = ("left", "right", "centre")
    return _unique(keys, "guitar", lambda key: "_".join(sorted(key, key=lambda word: word not in sides)))


def mic_names(keys: Sequence[Key], performances: Sequence[str]) -> dict[Key, str]:
    """Key -> name. Where a performance and a mic joined would read like another pair, mics use - instead of _."""
    names = _unique(keys, "mic", "_".join)
    joined = [f"{performance}_{mic}" for performance in performances for mic in names.values()]
    return names if len(set(joined)) == len(joined) else {k: name.replace("_", "-") for k, name in names.items()}


def _unique(keys: Sequence[Key], default: str, spell: Callable[[Key], str]) -> dict[Key, str]:
    names: dict[Key, str] = {}
    for key in keys:
        name = wanted = _ascii(spell(key)) or default
        number = 2
        while name in names.values():
            name, number = f"{wanted}_{number}", number + 1
        names[key] = name
    return names


def _ascii(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", plain(text)).strip("_")[:_LONGEST].rstrip("_")
