"""What the user is told: problems, which stop a run, and findings, which do not; the errors and the exit codes.

PremixError
 +- UserError          the recipe or the tracks need the user; carries every Problem found (exit 1)
     +- RecipeError    the recipe, a song file, an alignment sheet or a --set value
     +- TracksError    the folder of tracks or a file in it
     +- RefusedError   a mic cannot be aligned and the recipe says `refused: stop`
     +- DeliveryError  the outputs cannot be written

Anything else that escapes is a bug (exit 3).
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum
from typing import Literal

from premix.messages import FROM_TABLE, remedy_of


class Exit(IntEnum):
    """How a command ends; part of the contract.

    BROKEN: done, but something does not hold: a limit of the recipe, a null test, the samples that were expected.
    """

    DONE = 0
    USER = 1
    USAGE = 2
    BUG = 3
    BROKEN = 4
    INTERRUPTED = 130


Severity = Literal["info", "warning", "error"]
LONGEST_LINE = 1000
"""Characters of a message: what a name of 100 kB adds to it helps nobody."""


def one_line(text: str, longest: int = LONGEST_LINE) -> str:
    """Text as one line of a terminal: control characters escaped, the middle left out where it is too long."""
    if len(text) > longest:
        half = longest // 2
        text = f"{text[:half]} ... ({len(text) - 2 * half} characters more) ... {text[-half:]}"
    return "".join(char if char.isprintable() else repr(char)[1:-1] for char in text)


def listed(items: Iterable[str], most: int = 4) -> str:
    """'a, b, c, d and 3 more'."""
    found = list(items)
    more = f" and {len(found) - most} more" if len(found) > most else ""
    return ", ".join(found[:most]) + more


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing the user has to mend.

    slug: stable name, listed with its remedy in `premix.messages`.
    where: `file:line:column path`, a track's name, or a folder.
    what: what is wrong there. allowed: what may stand there ('' if that says nothing).
    remedy: the next step; the table's unless given ('' if `allowed` already says it).
    """

    slug: str
    where: str
    what: str
    allowed: str = ""
    remedy: str = FROM_TABLE

    def __post_init__(self) -> None:
        object.__setattr__(self, "remedy", remedy_of(self.slug, self.remedy))

    def line(self) -> str:
        """The problem as one line of text: where: what; allowed: ...; remedy. [slug]"""
        parts = (self.what, self.allowed and f"allowed: {self.allowed}", self.remedy)
        return one_line(f"{self.where}: {'; '.join(filter(None, parts))} [{self.slug}]")


@dataclass(frozen=True, slots=True)
class Finding:
    """Something a stage saw that the user should know; it never stops a run by itself.

    slug: stable name, as a problem's. subject: what it is about, e.g. 'left_a/ribbon'. message: what was seen, with the
    numbers. hint: what to do, e.g. the recipe line to write; the table's unless given. at_s: where in the song, the
    first place of several; None where it has none. size: how bad it is beside others of its slug, larger is worse.
    brief: the message in a few words, for a line that speaks of several.
    """

    slug: str
    severity: Severity
    subject: str
    message: str
    hint: str = FROM_TABLE
    at_s: float | None = None
    size: float = 0.0
    brief: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "hint", remedy_of(self.slug, self.hint))

    @property
    def breaks_limit(self) -> bool:
        """Whether it says that a limit of the recipe is broken."""
        return self.severity == "error" and self.slug.startswith("limit-")


def verdict(broken: int) -> str:
    """A finished run in words, by how many of the recipe's limits are broken: 'done', '2 limits broken'."""
    return f"{broken} limit{'s' if broken > 1 else ''} broken" if broken else "done"


class PremixError(Exception):
    """Root of all errors that premix raises on purpose."""


class UserError(PremixError):
    """The user has to mend something; `problems` holds everything found, in a stable order."""

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(p.line() for p in self.problems))

    def __reduce__(self) -> tuple[type["UserError"], tuple[tuple[Problem, ...]]]:
        return type(self), (self.problems,)


class RecipeError(UserError):
    """The recipe, a song file, an alignment sheet or a --set value is wrong."""


class TracksError(UserError):
    """The tracks are missing, ambiguous, damaged or do not fit together."""


class RefusedError(UserError):
    """A mic cannot be aligned and the recipe says to stop."""


class DeliveryError(UserError):
    """The outputs cannot be written where they should go."""
