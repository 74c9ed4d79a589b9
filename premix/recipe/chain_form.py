"""A chain as the YAML writes it (a bare name or a one-key mapping a step) -> as the record holds it."""

from typing import Any

from premix.recipe.faults import Fault, Path
from premix.recipe.marks import Node
from premix.recipe.values import place

_UNREADABLE = {"kind": "unreadable"}
"""Stands in for a step that was refused, so that the checks can go on."""


def for_record(data: Any, root: Node, faults: list[Fault], path: Path = ()) -> Any:
    """Plain recipe data as the record takes it: lists as tuples, chain steps as {kind, params}."""
    if isinstance(data, dict):
        return {key: for_record(child, root, faults, (*path, key)) for key, child in data.items()}
    if not isinstance(data, list):
        return data
    if path[-1] == "chain" and _is_chain(path):
        return tuple(_step(step, root, faults, (*path, index)) for index, step in enumerate(data))
    return tuple(for_record(child, root, faults, (*path, index)) for index, child in enumerate(data))


def _is_chain(path: Path) -> bool:
    return path == ("guitar_bus", "chain") or (
        len(path) == 3 and path[0] in ("mics", "performances", "buses", "groups")
    )


def _step(step: Any, root: Node, faults: list[Fault], path: Path) -> dict[str, Any]:
    if isinstance(step, str):
        return {"kind": step}
    if isinstance(step, dict) and len(step) == 1:
        ((kind, params),) = step.items()
        if params is None:
            return {"kind": kind}
        if isinstance(params, dict):
            return {"kind": kind, "params": params}
    faults.append(
        Fault(
            place(root, path),
            path,
            "recipe-chain-step",
            "this is no processor",
            "a name, or one name with its parameters, as in {high_pass: {cutoff_hz: 80}}",
        )
    )
    return _UNREADABLE
