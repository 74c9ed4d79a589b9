"""A finding: something a stage saw that the user should know; it never stops a run by itself."""

from dataclasses import dataclass
from typing import Literal

from premix.messages import FROM_TABLE, remedy_of

Severity = Literal["info", "warning", "error"]


@dataclass(frozen=True, slots=True)
class Finding:
    """slug: stable name (see `premix.messages`); subject: what it is about, e.g. 'left_a/ribbon';
    message: what was seen, with the numbers; hint: what to do, e.g. the recipe line to write."""

    slug: str
    severity: Severity
    subject: str
    message: str
    hint: str = FROM_TABLE

    def __post_init__(self) -> None:
        object.__setattr__(self, "hint", remedy_of(self.slug, self.hint))
