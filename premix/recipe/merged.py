"""Merged recipe data as the checks between values read it: anything in it may still be wrong, and nothing raises."""

from collections.abc import Iterable
from typing import Any, TypeGuard

from premix.recipe.faults import Fault, KeyPath, shown
from premix.recipe.yaml import Node

Names = tuple[str, ...]


class Merged:
    """Plain merged data in which anything may still be wrong: what is no mapping counts as empty."""

    def __init__(self, data: dict[str, Any], root: Node) -> None:
        self.data = data
        self.at = root.fault

    def value(self, path: KeyPath) -> Any:
        """The value at `path`, None where there is none."""
        found: Any = self.data
        for step in path:
            if isinstance(found, list) and isinstance(step, int):
                found = found[step]
            else:
                found = found.get(step) if isinstance(found, dict) else None
        return found

    def section(self, *path: str) -> dict[str, Any]:
        """The section at `path`, empty where there is none."""
        found = self.value(path)
        return found if isinstance(found, dict) else {}

    def table(self, *path: str) -> dict[str, dict[str, Any]]:
        """Name -> entry of the table at `path`."""
        return {name: entry if isinstance(entry, dict) else {} for name, entry in self.section(*path).items()}

    def items(self, *path: str) -> list[Any]:
        """The list at `path`, empty where there is none."""
        found = self.value(path)
        return found if isinstance(found, list) else []

    def text(self, *path: str) -> str | None:
        """The text at `path`, None where there is none."""
        found = self.value(path)
        return found if isinstance(found, str) else None

    def senders(self) -> list[Names]:
        """Paths of everything that may state a bus: performances, mics, groups, and exceptions to the last two."""
        found: list[Names] = [
            (table, name) for table in ("performances", "mics", "groups") for name in self.table(table)
        ]
        for performance in self.table("performances"):
            for table in ("mics", "groups"):
                found += [
                    ("performances", performance, table, name)
                    for name in self.table("performances", performance, table)
                ]
        return found

    def apart(self) -> dict[str, list[str]]:
        """Group with a stem of its own -> its mics that are in the set-up."""
        own = [name for name in self.table("groups") if self.text("groups", name, "stem") == "own"]
        mics = self.table("mics")
        return {
            name: [mic for mic in self.items("groups", name, "mics") if isinstance(mic, str) and mic in mics]
            for name in own
        }

    def role(self, mic: str) -> str:
        """The role of a mic, as far as it can be read."""
        return self.text("mics", mic, "role") or "close"

    def unknown(self, path: KeyPath, kind: str, known: Iterable[str], key: bool = False) -> Fault:
        """The fault of a name (the value at `path`, or its key) that should stand in a table and does not."""
        names = list(known)
        name = str(path[-1] if key else self.value(path))
        what = f"there is no {kind} '{shown(name)}'"
        return self.at(path, f"recipe-unknown-{kind}", what, ", ".join(names[:20]), key=key, meant=(name, names))


def is_number(value: Any) -> TypeGuard[int | float]:
    """Whether a plain value is a number (true and false are none)."""
    return isinstance(value, int | float) and not isinstance(value, bool)
