"""Laying one recipe over another, by the rule of JSON Merge Patch (RFC 7396) with two additions.

Mappings merge key by key, `null` takes an inherited value away, and everything else (numbers, texts, lists,
and a delay by hand, which is one value) is replaced whole. Added here: `null` over nothing is a fault; and a
name that the recipe below does not know is a fault, unless the entry is complete (a new mic states its role,
a new performance its bus, a new bus its pan, a new group its mics). A variant may always be new.
"""

from collections.abc import Mapping
from typing import Any

from premix.model.recipe import STANDING_BUSES
from premix.recipe.faults import Fault, Guess, Mark, Path, shown
from premix.recipe.marks import Node

STATES_ITSELF = {"mics": "role", "performances": "bus", "buses": "pan", "groups": "mics"}
"""Table -> the key by which an entry shows that it is meant to be new."""
_ONE_VALUE = frozenset({"delay"})


def merge(below: Node | None, above: Node, faults: list[Fault], path: Path = ()) -> Node:
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


def _take_away(entries: dict[str, Node], keys: dict[str, Mark], node: Node, path: Path, faults: list[Fault]) -> None:
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


def _unknown_entry(below: Node, known: tuple[str, ...], mark: Mark, node: Node, path: Path) -> Fault | None:
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
