"""A pattern of `tracks.name` with aliases that finds every file of a draft and no other, where the names allow one."""

import fnmatch
import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from premix.draft.grid import Key, Placed

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
    text: str, placed: Sequence[Placed], performances: tuple[Aliases, Mapping[Key, str]],
    mics: tuple[Aliases, Mapping[Key, str]], others: Sequence[str],
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
