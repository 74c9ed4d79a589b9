"""Laying one recipe over another, by the rule of JSON Merge Patch (RFC 7396) with two additions.

Mappings merge key by key, `null` takes an inherited value away, and everything else (numbers, texts, lists,
and a delay by hand, which is one value) is replaced whole. Added here: `null` over nothing is a fault; and a
name that the recipe below does not know is a fault, unless the entry is complete (a new mic states its role,
a new performance its bus, a new bus its pan, a new group its mics). A variant may always be new.

The merged data under the checks between values: tolerant look-ups, and faults at their places.
"""

from collections.abc import Iterable, Mapping
from typing import Any, TypeGuard

from premix.model.recipe import STANDING_BUSES
from premix.recipe.explain import place
from premix.recipe.faults import Fault, Guess, KeyPath, Mark, shown
from premix.recipe.yaml import Node

STATES_ITSELF = {"mics": "role", "performances": "bus", "buses": "pan", "groups": "mics"}
"""Table -> the key by which an entry shows that it is meant to be new."""
_ONE_VALUE = frozenset({"delay"})


def merge(below: Node | None, above: Node, faults: list[Fault], path: KeyPath = ()) -> Node:
    """`above` laid over `below`. Faults go to `faults`; the merge goes on without the faulty entry."""
    entries: dict[str, Node] = dict(below.mapping) if below else {}
    keys: dict[str, Mark] = dict(below.keys) if below else {}
    known = tuple(entries)
    for key, node in above.mapping.items():
        here = (*path, key)
        under = entries.get(key)
        if node.value is None:
            _take_away(entries, keys, node, here, faults)
            continue
        if under is None and below is not None:
            fault = _unknown_entry(below, known, above.keys[key], node, here)
            if fault:
                faults.append(fault)
                continue
        if isinstance(node.value, Mapping):
            mergeable = under is not None and isinstance(under.value, Mapping) and key not in _ONE_VALUE
            node = merge(under if mergeable else None, node, faults, here)
        entries[key] = node
        keys[key] = above.keys[key]
    return Node(entries, above.mark if below is None else below.mark, keys)


def _take_away(entries: dict[str, Node], keys: dict[str, Mark], node: Node, path: KeyPath, faults: list[Fault]) -> None:
    key = str(path[-1])
    if key in entries:
        del entries[key], keys[key]
        return
    faults.append(
        Fault(
            node.mark,
            path,
            "recipe-null",
            "null takes an inherited value away, and there is none here",
            remedy=Guess(key, entries.keys(), "leave the key out"),
        )
    )


def _unknown_entry(below: Node, known: tuple[str, ...], mark: Mark, node: Node, path: KeyPath) -> Fault | None:
    """The fault of an override whose name does not exist below, None where it may be new."""
    if len(path) != 2 or path[0] not in STATES_ITSELF or (path[0] == "buses" and path[1] in STANDING_BUSES):
        return None
    table, needed = str(path[0]), STATES_ITSELF[str(path[0])]
    if needed in node.mapping:
        return None
    places = sorted({str(below.keys[name]) for name in known[:1]})
    where = f" in {places[0]}" if places else ""
    return Fault(
        mark,
        path,
        "recipe-nothing-to-override",
        f"'{shown(str(path[1]))}' does not exist in the {table}{where}",
        f"{', '.join(known[:12])}; or a new one that states its '{needed}'",
        Guess(str(path[1]), known),
    )


def with_standing_buses(data: Mapping[str, Any]) -> dict[str, Any]:
    """Plain recipe data with the standing buses laid under those that it names or sends to."""
    buses, performances = data.get("buses", {}), data.get("performances")
    if not isinstance(buses, dict):
        return dict(data)
    entries = performances.values() if isinstance(performances, dict) else ()
    used = {str(entry.get("bus")) for entry in entries if isinstance(entry, dict)}
    standing: dict[str, Any] = {n: dict(bus) for n, bus in STANDING_BUSES.items() if n in buses or n in used}
    for name, bus in buses.items():
        standing[name] = standing.get(name, {}) | bus if isinstance(bus, dict) else bus
    return {**data, "buses": standing} if standing or "buses" in data else dict(data)


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

    def at(self, path: KeyPath, slug: str, what: str, allowed: str = "", remedy: str = "") -> Fault:
        """A fault of the value at `path`."""
        return Fault(place(self.root, path), path, slug, what, allowed, remedy)

    def at_key(self, path: KeyPath, slug: str, what: str, allowed: str = "", remedy: str = "") -> Fault:
        """A fault of the key at `path`."""
        return Fault(place(self.root, path, key=True), path, slug, what, allowed, remedy)

    def unknown(self, path: KeyPath, kind: str, known: Iterable[str], key: bool = False) -> Fault:
        """The fault of a name (the value at `path`, or its key) that should stand in a table and does not."""
        names = list(known)
        name = str(path[-1]) if key else str(self._value(path))
        what = f"there is no {kind} '{shown(name)}'"
        mark = place(self.root, path, key)
        return Fault(mark, path, f"recipe-unknown-{kind}", what, ", ".join(names[:20]), Guess(name, names))

    def _value(self, path: KeyPath) -> Any:
        found: Any = self.data
        for step in path:
            found = found[step]
        return found


def is_number(value: Any) -> TypeGuard[int | float]:
    """Whether a plain value is a number (true and false are none)."""
    return isinstance(value, int | float) and not isinstance(value, bool)
