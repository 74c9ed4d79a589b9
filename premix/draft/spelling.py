"""How a draft spells its performances and mics: names for the recipe, and the pattern that finds them in file names.

Names are the files' own words, without accents; words in other alphabets, and tracks that no word tells, get a name of
what they are. The pattern of `tracks.name`, with aliases, finds every file of the draft and no other, where the names
allow one. A song's name in it becomes {song}, so that it finds the next song's files too.
"""

import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise, product
from typing import Literal

from premix.draft.grid import Placed
from premix.draft.proposal import Key
from premix.draft.words import AMPS, SIDE_NAMES, TAKES
from premix.model.names import FIELDS, fits, fold
from premix.model.names import Pattern as NamePattern

_ONE_LETTER = dict(zip("абвгдеёзийклмнопрстуфыэіїґøłđ", "abvgdeeziiklmnoprstufyeiigold", strict=True))
_SEVERAL = {
    "ж": "zh",
    "х": "kh",
    "ц": "ts",
    "ч": "ch",
    "ш": "sh",
    "щ": "shch",
    "ъ": "ie",
    "ь": "",
    "ю": "iu",
    "я": "ia",
}
_SEVERAL |= {"є": "ie", "ß": "ss", "æ": "ae", "œ": "oe"}
_LATIN = str.maketrans(
    {
        either: latin
        for letter, small in (_ONE_LETTER | _SEVERAL).items()
        for either, latin in ((letter.upper(), small.capitalize()), (letter, small))
        if len(either) == 1
    }
)
"""Letters that no Unicode form takes apart, in Latin ones; Cyrillic after ICAO Doc 9303 part 3 (from memory)."""
Aliases = dict[str, tuple[str, ...]]
"""Name -> its other spellings in file names."""
_SPECIAL = "*?{}"
_LONGEST = 40
_SHORTEST_SONG = 3


def widened(placed: Sequence[Placed]) -> list[Placed]:
    """The files with what belongs to a performance's or a mic's words, whether it tells them apart or not.

    A performance's are a letter or a small number right behind the side ('left_a', 'L1'), the same in all its files,
    and the word before the number of a take; a mic's is the word before the number or letter of an amp.
    """
    behind: dict[Key, set[str]] = {}
    for item in placed:
        at = _behind_side(item)
        behind.setdefault(item.performance, set()).add("" if at is None else item.file.tokens[at].text)
    found = []
    for item in placed:
        axes, tokens, at = list(item.axes), item.file.tokens, _behind_side(item)
        if at is not None and len(behind[item.performance]) == 1:
            axes[at] = "performance"
        for number, (word, token) in enumerate(pairwise(tokens)):
            axis = axes[number + 1]
            of_take = axis == "performance" and token.kind == "number" and word.text in TAKES
            of_amp = axis == "mic" and token.kind in ("number", "letter") and word.text in AMPS
            axes[number] = axis if not axes[number] and (of_take or of_amp) else axes[number]
        found.append(replace(item, axes=tuple(axes)))
    return found


def _behind_side(item: Placed) -> int | None:
    """The place of a token of no axis that is right behind the side and may belong to it."""
    for number, token in enumerate(item.file.tokens[:-1]):
        after = item.file.tokens[number + 1]
        small = after.kind == "letter" or (after.kind == "number" and len(after.means) == 1)
        if token.kind == "side" and small and not item.axes[number + 1] and after.start - token.end <= 1:
            return number + 1
    return None


def performance_names(placed: Sequence[Placed]) -> dict[Key, str]:
    """Key -> name: the files' own word for it, the side first where that word is no name."""
    return _names(placed, "performance", "guitar", lambda key: sorted(key, key=lambda word: word not in SIDE_NAMES))


def mic_names(placed: Sequence[Placed], performances: Iterable[str]) -> dict[Key, str]:
    """Key -> name. Where a performance and a mic joined would read like another pair, mics use - instead of _."""
    names = _names(placed, "mic", "mic", list)
    joined = [fold(f"{performance}_{mic}") for performance in performances for mic in names.values()]
    return names if len(set(joined)) == len(joined) else {k: name.replace("_", "-") for k, name in names.items()}


def _names(
    placed: Sequence[Placed], axis: Literal["performance", "mic"], default: str, order: Callable[[Key], Sequence[str]]
) -> dict[Key, str]:
    spelled: dict[Key, Counter[str]] = {}
    for item in placed:
        spelled.setdefault(item.performance if axis == "performance" else item.mic, Counter())[
            _own_words(item, axis)
        ] += 1
    own = {key: texts.most_common(1)[0][0] for key, texts in spelled.items()}
    words = {key: _as_name(text) or _as_name("_".join(order(key))) for key, text in own.items()}
    unsaid = [key for key, word in words.items() if not word]
    names: dict[Key, str] = {}
    for key, word in words.items():
        wanted = word or (default if len(unsaid) == 1 else f"{default}_{unsaid.index(key) + 1}")
        name, number = wanted, 2
        while fold(name) in map(fold, names.values()):
            name, number = f"{wanted}_{number}", number + 1
        names[key] = name
    return names


def _own_words(item: Placed, axis: str) -> str:
    """What a file calls its performance or mic: from its first word for that to the last, or these words alone."""
    name = item.file.text[: item.file.length]
    own = [number for number, mine in enumerate(item.axes) if mine == axis]
    tokens = item.file.tokens
    if not own:
        return ""
    if any(mine not in (axis, "") for mine in item.axes[own[0] : own[-1] + 1]):
        return "_".join(name[tokens[number].start : tokens[number].end] for number in own)
    return name[tokens[own[0]].start : tokens[own[-1]].end]


def _as_name(text: str) -> str:
    """A text as a name of a recipe: Latin letters without accents, digits, _ and -; '' where a letter has no such."""
    split = unicodedata.normalize("NFKD", text.translate(_LATIN))
    bare = "".join(char for char in split if not unicodedata.combining(char))
    if any(char.isalnum() and not char.isascii() for char in bare):
        return ""
    return re.sub(r"[^A-Za-z0-9-]+", "_", bare).strip("_-")[:_LONGEST].rstrip("_-")


@dataclass(frozen=True, slots=True)
class Pattern:
    """text: the pattern; performances, mics: how the files' names spell each, but for the name itself."""

    text: str
    performances: Aliases
    mics: Aliases


def find_pattern(
    placed: Sequence[Placed],
    performances: Mapping[Key, str],
    mics: Mapping[Key, str],
    others: Sequence[str],
    song: str = "",
) -> Pattern | None:
    """The pattern of all the files; None where none finds each track's file alone, beside the `others`.

    song: what {song} will stand for ('' where that is not known).
    """
    shared = set.intersection(*({token.text for token in item.file.tokens} for item in placed))
    pairs = [(performances[item.performance], mics[item.mic]) for item in placed]
    files = {pair: item.file.text for pair, item in zip(pairs, placed, strict=True)}
    for absorb, star in product(("", "before", "behind"), (False, True)):
        parts = [_parts(item, shared, absorb, star) for item in placed]
        whole = [part for part in parts if part is not None]
        literal = _in_common([text for text, _, _ in whole])
        if len(whole) < len(parts) or literal is None:
            continue
        p = _spellings([(pair[0], part[1]) for pair, part in zip(pairs, whole, strict=True)], performances.values())
        m = _spellings([(pair[1], part[2]) for pair, part in zip(pairs, whole, strict=True)], mics.values())
        if p is not None and m is not None:
            for text in dict.fromkeys((_with_song(literal, song), literal)):
                found = Pattern(text, p, m)
                if finds(found, files, others, song):
                    return found
    return None


def _parts(item: Placed, shared: set[str], absorb: str, star: bool) -> tuple[str, str, str] | None:
    """The pattern that one file's name suggests, and its spellings of performance and mic.

    What tells neither stays as it is, unless it joins the axis before or behind it (absorb) or, a number, becomes *
    (star).
    None where an axis has no token or the two stand mixed.
    """
    name, tokens = item.file.text[: item.file.length], item.file.tokens
    stay = shared | {token.text for token in tokens if star and token.kind == "number"}
    axes = _absorbed(item, stay, absorb) if absorb else item.axes
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


def _in_common(texts: Sequence[str]) -> str | None:
    """The pattern that all the texts are, case aside, with ? where they use different separators; None for no such."""
    columns = list(zip(*map(fold, texts), strict=False))
    if not texts or len({len(fold(text)) for text in texts}) > 1 or len(columns) != len(texts[0]):
        return None
    differ = [len(set(column)) > 1 for column in columns]
    if any(
        other and any(char.isalnum() or char in "/{}" for char in column)
        for other, column in zip(differ, columns, strict=True)
    ):
        return None
    return "".join("?" if other else char for other, char in zip(differ, texts[0], strict=True))


def _absorbed(item: Placed, stay: set[str], absorb: str) -> Sequence[str]:
    """The axes, with each token that is of none given to the axis before or behind it, but for those that stay."""
    axes: list[str] = []
    last = ""
    backwards = absorb == "behind"
    for token, axis in list(zip(item.file.tokens, item.axes, strict=True))[:: -1 if backwards else 1]:
        last = axis or last
        axes.append(axis or ("" if token.text in stay else last))
    return axes[::-1] if backwards else axes


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


def _with_song(pattern: str, song: str) -> str:
    """The pattern with {song} where the song's name stands as a word of its own."""
    if len(song) < _SHORTEST_SONG or song.casefold() in FIELDS:
        return pattern
    return re.sub(rf"(?<![^\W_]){re.escape(song)}(?![^\W_])", "{song}", pattern, count=1, flags=re.IGNORECASE)


def finds(pattern: Pattern, files: Mapping[tuple[str, str], str], others: Sequence[str], song: str = "") -> bool:
    """Whether the pattern gives each pair of performance and mic its own file, or none where there is none."""
    wanted = {pair: fold(name) for pair, name in files.items()}
    every = {*wanted.values(), *map(fold, others)}
    matcher = NamePattern(pattern.text, song)
    for performance, p_aliases in pattern.performances.items():
        for mic, m_aliases in pattern.mics.items():
            globs = matcher.globs((performance, *p_aliases), (mic, *m_aliases))
            own = wanted.get((performance, mic))
            if {name for name in every if fits(name, globs)} != ({own} if own is not None else set()):
                return False
    return True
