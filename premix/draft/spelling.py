"""How a draft spells its performances and mics: names for the recipe, and the pattern that finds them in file names.

Names are made of what the files have in common, unique and plain ASCII. The pattern of `tracks.name`, with aliases,
finds every file of the draft and no other, where the names allow one.
"""

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

from premix.draft.grid import Key, Placed
from premix.draft.words import SIDE_NAMES, plain
from premix.model.names import Pattern as NamePattern
from premix.model.names import fits, fold

Aliases = dict[str, tuple[str, ...]]
"""Name -> its other spellings in file names."""
_SPECIAL = "*?{}"
_LONGEST = 40


def performance_names(keys: Sequence[Key]) -> dict[Key, str]:
    """Key -> name: the side first, then what tells it from others of that side."""
    return _unique(keys, "guitar", lambda key: "_".join(sorted(key, key=lambda word: word not in SIDE_NAMES)))


def mic_names(keys: Sequence[Key], performances: Iterable[str]) -> dict[Key, str]:
    """Key -> name. Where a performance and a mic joined would read like another pair, mics use - instead of _."""
    names = _unique(keys, "mic", "_".join)
    joined = [f"{performance}_{mic}" for performance in performances for mic in names.values()]
    return names if len(set(joined)) == len(joined) else {k: name.replace("_", "-") for k, name in names.items()}


def _unique(keys: Sequence[Key], default: str, spell: Callable[[Key], str]) -> dict[Key, str]:
    names: dict[Key, str] = {}
    for key in keys:
        text = re.sub(r"[^a-z0-9]+", "_", plain(spell(key))).strip("_")[:_LONGEST].rstrip("_")
        name = wanted = text or default
        number = 2
        while name in names.values():
            name, number = f"{wanted}_{number}", number + 1
        names[key] = name
    return names


@dataclass(frozen=True, slots=True)
class Pattern:
    """text: the pattern; performances, mics: how the files' names spell each, but for the name itself."""

    text: str
    performances: Aliases
    mics: Aliases


def find_pattern(
    placed: Sequence[Placed], performances: Mapping[Key, str], mics: Mapping[Key, str], others: Sequence[str]
) -> Pattern | None:
    """The pattern of all the files; None where none finds each track's file alone, beside the `others`."""
    shared = set.intersection(*({token.text for token in item.file.tokens} for item in placed))
    pairs = [(performances[item.performance], mics[item.mic]) for item in placed]
    files = {pair: fold(item.file.text) for pair, item in zip(pairs, placed, strict=True)}
    for absorb, star in product((False, True), repeat=2):
        parts = [_parts(item, shared, absorb, star) for item in placed]
        whole = [part for part in parts if part is not None]
        if len(whole) < len(parts) or len({fold(text) for text, _, _ in whole}) > 1:
            continue
        p = _spellings([(pair[0], part[1]) for pair, part in zip(pairs, whole, strict=True)], performances.values())
        m = _spellings([(pair[1], part[2]) for pair, part in zip(pairs, whole, strict=True)], mics.values())
        if p is not None and m is not None:
            found = Pattern(whole[0][0], p, m)
            if _finds(found, files, others):
                return found
    return None


def _parts(item: Placed, shared: set[str], absorb: bool, star: bool) -> tuple[str, str, str] | None:
    """The pattern that one file's name suggests, and its spellings of performance and mic.

    What tells neither stays as it is, unless it joins the axis before it (absorb) or, a number, becomes * (star).
    None where an axis has no token or the two stand mixed.
    """
    name, tokens = item.file.text[: item.file.length], item.file.tokens
    stay = shared | {token.text for token in tokens if star and token.kind == "number"}
    axes = _absorbed(item, stay) if absorb else item.axes
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
    free = [token for token, mine in zip(tokens, axes, strict=True) if not mine and token.kind == "number"]

    def kept(begin: int, stop: int) -> str:
        text = "".join("?" if char in _SPECIAL else char for char in name[begin:stop])
        for token in reversed(free if star else ()):
            if begin <= token.start and token.end <= stop:
                text = text[: token.start - begin] + "*" + text[token.end - begin :]
        return text

    pattern = f"{kept(0, start)}{{{first}}}{kept(end, start_2)}{{{second}}}{kept(end_2, len(name))}.*"
    told = {first: name[start:end], second: name[start_2:end_2]}
    return pattern, told["performance"], told["mic"]


def _absorbed(item: Placed, stay: set[str]) -> Sequence[str]:
    """The axes, with each token that is of none given to the axis before it, but for those that stay."""
    axes: list[str] = []
    last = ""
    for token, axis in zip(item.file.tokens, item.axes, strict=False):
        last = axis or last
        axes.append(axis or ("" if token.text in stay else last))
    return axes


def _spellings(pairs: Sequence[tuple[str, str]], names: Iterable[str]) -> Aliases | None:
    """Spellings by name, but for those equal to it; None where one spelling stands for two names."""
    found: Aliases = dict.fromkeys(names, ())
    owner = {fold(name): name for name in found}
    for name, text in pairs:
        if owner.setdefault(fold(text), name) != name:
            return None
        if fold(text) not in map(fold, (name, *found[name])):
            found[name] = (*found[name], text)
    return found


def _finds(pattern: Pattern, files: Mapping[tuple[str, str], str], others: Sequence[str]) -> bool:
    """Whether the pattern gives each pair of performance and mic its own file, or none where there is none."""
    every = {*files.values(), *map(fold, others)}
    matcher = NamePattern(pattern.text)
    for performance, p_aliases in pattern.performances.items():
        for mic, m_aliases in pattern.mics.items():
            globs = matcher.globs((performance, *p_aliases), (mic, *m_aliases))
            own = files.get((performance, mic))
            if {name for name in every if fits(name, globs)} != ({own} if own is not None else set()):
                return False
    return True
