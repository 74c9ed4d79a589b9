"""The merged data under the checks between values: tolerant look-ups, and faults at their places."""

from collections.abc import Iterable
from typing import Any, TypeGuard

from premix.recipe.faults import Fault, Guess, Path, shown
from premix.recipe.marks import Node
from premix.recipe.values import place

Names = tuple[str, ...]


class Merged:
    """Plain merged data in which anything may still be wrong: what is no mapping counts as empty."""

    def __init__(self, data: dict[str, Any], root: Node) -> None:
        self.data = data
        self.root = root

    def section(self, *path: str) -> dict[str, Any]:
        """The section at `path`, empty where there is none."""
        found: Any = self.data
        for step in path:
            found = found.get(step) if isinstance(found, dict) else None
        return found if isinstance(found, dict) else {}

    def table(self, *path: str) -> dict[str, dict[str, Any]]:
        """Name -> entry of the table at `path`."""
        found = self.section(*path)
        return {name: entry if isinstance(entry, dict) else {} for name, entry in found.items()}

    def items(self, *path: str) -> list[Any]:
        """The list at `path`, empty where there is none."""
        found = self.section(*path[:-1]).get(path[-1])
        return found if isinstance(found, list) else []

    def text(self, *path: str) -> str | None:
        """The text at `path`, None where there is none."""
        found = self.section(*path[:-1]).get(path[-1])
        return found if isinstance(found, str) else None

    def role(self, mic: str) -> str:
        """The role of a mic, as far as it can be read."""
        return self.text("mics", mic, "role") or "close"

    def at(self, path: Path, slug: str, what: str, allowed: str = "", remedy: str = "") -> Fault:
        """A fault of the value at `path`."""
        return Fault(place(self.root, path), path, slug, what, allowed, remedy)

    def at_key(self, path: Path, slug: str, what: str, allowed: str = "", remedy: str = "") -> Fault:
        """A fault of the key at `path`."""
        return Fault(place(self.root, path, key=True), path, slug, what, allowed, remedy)

    def unknown(self, path: Path, kind: str, known: Iterable[str], key: bool = False) -> Fault:
        """The fault of a name (the value at `path`, or its key) that should stand in a table and does not."""
        names = list(known)
        name = str(path[-1]) if key else str(self._value(path))
        what = f"there is no {kind} '{shown(name)}'"
        mark = place(self.root, path, key)
        return Fault(mark, path, f"recipe-unknown-{kind}", what, ", ".join(names[:20]), Guess(name, names))

    def _value(self, path: Path) -> Any:
        found: Any = self.data
        for step in path:
            found = found[step]
        return found


def is_number(value: Any) -> TypeGuard[int | float]:
    """Whether a plain value is a number (true and false are none)."""
    return isinstance(value, int | float) and not isinstance(value, bool)
