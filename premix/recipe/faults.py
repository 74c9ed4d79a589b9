"""Faults: everything wrong in the recipe's files, gathered with its place, told at once in file order."""

import difflib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import NamedTuple

from premix.errors import Problem, RecipeError
from premix.messages import FROM_TABLE, REMEDIES

MOST_TOLD = 50
"""So many faults are told in one go."""
LONGEST_SHOWN = 60
"""Longest piece of the user's own text that a message repeats."""

DATA_NAME = "recipe"
"""What a recipe that is plain data and no file is called."""

KeyPath = tuple[str | int, ...]


class Mark(NamedTuple):
    """A place in a file; line and column count from 1. Line 0: all of `file` (which may be a --set value)."""

    file: str
    line: int = 0
    column: int = 0

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}" if self.line else self.file


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong: where, at which key, and the parts of an `errors.Problem`.

    remedy: '' for none, FROM_TABLE for the one in the table of messages. meant: a word and the known ones; that of
    them which was perhaps meant is the remedy, and looked for only when the fault is told: that is slow.
    """

    mark: Mark
    path: KeyPath
    slug: str
    what: str
    allowed: str = ""
    remedy: str = ""
    meant: tuple[str, Collection[str]] | None = None

    def problem(self) -> Problem:
        """The fault as the user sees it, with `file:line:column path` as its place."""
        placed = self.mark.line or self.mark.file == DATA_NAME
        where = f"{self.mark} {dotted(self.path)}" if self.path and placed else str(self.mark)
        remedy = (nearest(*self.meant) if self.meant else "") or self.remedy
        if remedy == FROM_TABLE:  # as the last part of a line: no capital, no stop
            sentence = REMEDIES[self.slug]
            remedy = sentence[:1].lower() + sentence[1:].removesuffix(".")
        return Problem(self.slug, where, self.what, self.allowed, remedy)


class Faulty(Exception):  # noqa: N818 (it carries faults; it is not an error by itself)
    """Stops the reading of one file at a fault that leaves nothing more to read."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        super().__init__(fault.what)


def dotted(path: KeyPath) -> str:
    """A path of keys as people write it: mics.ribbon.gain_db, deliver.files[1]."""
    text = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path)
    return shown(text.removeprefix("."), 4 * LONGEST_SHOWN)


def shown(text: str, longest: int = LONGEST_SHOWN) -> str:
    """A piece of the user's text, cut to what a line can hold."""
    return text if len(text) <= longest else text[: longest - 1] + "…"


def nearest(word: str, known: Iterable[str]) -> str:
    """ "did you mean 'x'?" for the known word most like `word`; '' where none is."""
    by_folded = {k.casefold(): k for k in islice(known, 1_000)}  # comparing is slow
    found = difflib.get_close_matches(shown(word).casefold(), by_folded, n=1, cutoff=0.6)
    return f"did you mean '{by_folded[found[0]]}'?" if found else ""


def tell(faults: Iterable[Fault], files: Sequence[str]) -> None:
    """Raise RecipeError with all faults, in the order of `files` and their lines; return if there are none.

    Of several faults of one value only the first is told: the others follow from it.
    """
    order = {name: n for n, name in enumerate(files)}
    first: dict[tuple[Mark, KeyPath], Fault] = {}
    for fault in faults:
        first.setdefault((fault.mark, fault.path), fault)
    ranked = sorted(first.values(), key=lambda f: (order.get(f.mark.file, len(order)), f.mark.line, f.mark.column))
    if not ranked:
        return
    told = ranked[:MOST_TOLD]
    if len(ranked) > MOST_TOLD:
        what = "there are more problems than these"
        told.append(Fault(Mark(ranked[-1].mark.file), (), "recipe-more-problems", what, remedy=FROM_TABLE))
    raise RecipeError(fault.problem() for fault in told)
