"""A chain as the YAML writes it (a bare name or a one-key mapping a step) -> as the record holds it, checked."""

from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any

from premix.model.recipe import Chain, ChainStep, Recipe
from premix.processors.table import PROCESSORS
from premix.recipe.explain import Schemas, place, validate_as
from premix.recipe.faults import Fault, Guess, KeyPath, shown
from premix.recipe.schema import PLACE_OF_KEY, kinds_at, parameters
from premix.recipe.yaml import Node

_UNREADABLE = {"kind": "unreadable"}
"""Stands in for a step that was refused, so that the checks can go on."""


def for_record(data: Any, root: Node, faults: list[Fault], path: KeyPath = ()) -> Any:
    """Plain recipe data as the record takes it: lists as tuples, chain steps as {kind, params}."""
    if isinstance(data, dict):
        return {key: for_record(child, root, faults, (*path, key)) for key, child in data.items()}
    if not isinstance(data, list):
        return data
    if path[-1] == "chain" and _is_chain(path):
        return tuple(_step(step, root, faults, (*path, index)) for index, step in enumerate(data))
    return tuple(for_record(child, root, faults, (*path, index)) for index, child in enumerate(data))


def with_absolute_files(recipe: Recipe, root: Node, folder: FilePath) -> Recipe:
    """The recipe with the files of its chains named absolutely.

    A file is named from the folder of the recipe file that says so; in a --set value, from `folder`.
    """
    changed: dict[str, Any] = {}
    for name in PLACE_OF_KEY:
        section = getattr(recipe, name)
        if name == "guitar_bus":
            if section.chain:
                chain = _absolute(section.chain, root, folder, (name, "chain"))
                changed[name] = section.model_copy(update={"chain": chain})
            continue
        changed[name] = {
            key: entry.model_copy(update={"chain": _absolute(entry.chain, root, folder, (name, key, "chain"))})
            if entry.chain
            else entry
            for key, entry in section.items()
        }
    return recipe.model_copy(update=changed)


def _is_chain(path: KeyPath) -> bool:
    return path == ("guitar_bus", "chain") or (len(path) == 3 and path[0] != "guitar_bus" and path[0] in PLACE_OF_KEY)


def _step(step: Any, root: Node, faults: list[Fault], path: KeyPath) -> dict[str, Any]:
    if isinstance(step, str):
        return _known(step, {}, root, faults, path, path)
    if isinstance(step, dict) and len(step) == 1:
        ((kind, params),) = step.items()
        if params is None:
            return _known(kind, {}, root, faults, path, (*path, kind))
        if isinstance(params, dict):
            return _known(kind, params, root, faults, path, (*path, kind))
    allowed = "a name, or one name with its parameters, as in {high_pass: {cutoff_hz: 80}}"
    faults.append(Fault(place(root, path), path, "recipe-chain-step", "this is no processor", allowed))
    return _UNREADABLE


def _known(
    kind: str, params: dict[str, Any], root: Node, faults: list[Fault], step: KeyPath, path: KeyPath
) -> dict[str, Any]:
    """The step of a processor of the table that may stand here; faults of its parameters lie below `path`."""
    known = kinds_at(PLACE_OF_KEY[str(step[0])])
    if kind not in known:
        elsewhere = PROCESSORS.get(kind)
        what = f"there is no processor '{shown(kind)}'"
        if elsewhere is not None:
            what = f"'{kind}' stands on the {' or '.join(elsewhere.places)} only"
        mark = place(root, path, key=path != step)
        faults.append(Fault(mark, path, "recipe-unknown-processor", what, ", ".join(known), Guess(kind, known)))
        return _UNREADABLE
    node = root
    for part in path:
        node = node.child(part) or node
    found: list[Fault] = []
    # A fault of the parameters is told by its place in the whole recipe.
    validate_as(PROCESSORS[kind], params, replace(node, mark=place(root, path)), found, Schemas(parameters(kind)))
    faults += [replace(fault, path=(*path, *fault.path)) for fault in found]
    return {"kind": kind, "params": params} if params else {"kind": kind}


def _absolute(chain: Chain, root: Node, folder: FilePath, path: KeyPath) -> Chain:
    return tuple(_with_files(step, root, folder, (*path, index, step.kind)) for index, step in enumerate(chain))


def _with_files(step: ChainStep, root: Node, folder: FilePath, path: KeyPath) -> ChainStep:
    params = dict(step.params)
    for key in PROCESSORS[step.kind].files:
        if params.get(key) is not None:
            mark = place(root, (*path, key))
            start = FilePath(mark.file).parent if mark.line else folder
            params[key] = str((start / params[key]).absolute())
    return step.model_copy(update={"params": params})
