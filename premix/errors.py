"""What can go wrong, as one small tree.

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

from premix.messages import FROM_TABLE, remedy_of


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
        parts = [self.what]
        if self.allowed:
            parts.append(f"allowed: {self.allowed}")
        if self.remedy:
            parts.append(self.remedy)
        text = f"{self.where}: {'; '.join(parts)} [{self.slug}]"
        return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


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
