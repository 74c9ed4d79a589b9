"""Reading a recipe: files -> layers -> merged nodes -> checked values -> a record, or every fault at once.

The record holds a chain's steps as {kind, params}, where the YAML writes a bare name or a one-key mapping. Alignment
sheets are read by the recipe's rules, too.
"""

import hashlib
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from premix.messages import FROM_TABLE
from premix.model.alignment import Sheet
from premix.model.settings import Chain
from premix.model.song import RecipeEntry
from premix.processors.chains import PROCESSORS
from premix.processors.plug_in import PlugIn
from premix.recipe.cross_checks import check
from premix.recipe.explain import Schemas, validate
from premix.recipe.faults import Fault, KeyPath, dotted, shown, tell
from premix.recipe.layers import SONG_FILE, Layer, load_layers, merge
from premix.recipe.record import STANDING_BUSES, MergedRecipe, Recipe
from premix.recipe.schema import CHAINS, kinds_at, parameters
from premix.recipe.yaml import Node, load_file, plain

_UNREADABLE = {"kind": "unreadable"}
"""Stands in for a step that was refused, so that the checks can go on."""


def read_recipe(
    recipe: Path | Mapping[str, Any],
    *,
    song_folder: Path | None = None,
    settings: Sequence[str] = (),
    allow_plug_ins: bool = False,
) -> MergedRecipe:
    """A recipe, over all that it extends, under the song folder's `song.yaml` and the settings.

    recipe: a file, or plain data of the same keys. settings: 'key=value' with a dotted key, the value in YAML.
    allow_plug_ins: also those that the song folder brings; without, they are native code that nobody asked for.
    Raises RecipeError with every problem of every file, in file order.
    """
    faults: list[Fault] = []
    layers, whole = load_layers(recipe, song_folder, settings, faults)
    files = [layer.shown for layer in layers]
    if not whole:
        tell(faults, files)
    merged = merge(None, layers[0].root, faults)
    for layer in layers[1:]:
        merged = merge(merged, layer.root, faults)
    source = plain(merged)
    source.pop("extends", None)
    data = with_standing_buses(source)
    record = validate(Recipe, for_record(data, merged, faults), merged, faults)
    faults.extend(check(data, merged))
    if song_folder is not None and not allow_plug_ins:
        faults.extend(_uninvited(merged, str(song_folder / SONG_FILE)))
    tell(faults, files)
    assert record is not None, "a recipe without faults is valid"
    folder = recipe.parent if isinstance(recipe, Path) else Path()
    record = _with_absolute_files(record, merged, folder)
    if song_folder is not None and not allow_plug_ins:
        tell(_among_tracks(record, merged, song_folder), files)
    return MergedRecipe(
        recipe=record,
        text=RecipeEntry(source, _origins(merged, layers), _sha256(record)),
        files=tuple(layer.path for layer in layers if layer.path is not None),
    )


def read_sheet(path: Path) -> Sheet:
    """The alignment sheet at `path`. Raises RecipeError with every problem of the file."""
    faults: list[Fault] = []
    root = load_file(path, str(path), faults)
    tell(faults, [str(path)])
    assert root is not None, "a file without faults has content"
    sheet = validate(Sheet, plain(root, tuple), root, faults, Schemas(Sheet.model_json_schema()))
    tell(faults, [str(path)])
    assert sheet is not None, "a sheet without faults is valid"
    return sheet


def with_standing_buses(data: Mapping[str, Any]) -> dict[str, Any]:
    """Plain recipe data with the standing buses laid under those that it names or sends to."""
    buses = data.get("buses", {})
    if not isinstance(buses, dict):
        return dict(data)
    used = set(_sent_to(data))
    standing: dict[str, Any] = {n: dict(bus) for n, bus in STANDING_BUSES.items() if n in buses or n in used}
    for name, bus in buses.items():
        standing[name] = standing.get(name, {}) | bus if isinstance(bus, dict) else bus
    return {**data, "buses": standing} if standing or "buses" in data else dict(data)


def _sent_to(data: Mapping[str, Any]) -> Iterator[str]:
    """Every bus that a performance, a mic, a group or an exception names."""
    for table in ("performances", "mics", "groups"):
        below = data.get(table)
        for entry in below.values() if isinstance(below, dict) else ():
            if isinstance(entry, dict):
                yield str(entry.get("bus"))
                yield from _sent_to(entry) if table == "performances" else ()


def for_record(data: Any, root: Node, faults: list[Fault], path: KeyPath = ()) -> Any:
    """Plain recipe data as the record takes it: lists as tuples, chain steps as {kind, params}."""
    if isinstance(data, dict):
        return {key: for_record(child, root, faults, (*path, key)) for key, child in data.items()}
    if not isinstance(data, list):
        return data
    is_chain = path[-1] == "chain" and path[0] in CHAINS and len(path) == (2 if path[0] == "guitar_bus" else 3)
    below = _step if is_chain else for_record
    return tuple(below(child, root, faults, (*path, index)) for index, child in enumerate(data))


def _step(step: Any, root: Node, faults: list[Fault], path: KeyPath) -> dict[str, Any]:
    """One step of a chain, checked; a bare name stands for itself with no parameters."""
    kind, params, below = step, None, path
    if isinstance(step, dict) and len(step) == 1:
        ((kind, params),) = step.items()
        below = (*path, kind)
    params = {} if params is None else params
    if not isinstance(kind, str) or not isinstance(params, dict):
        allowed = "a name, or one name with its parameters, as in {high_pass: {cutoff_hz: 80}}"
        faults.append(root.fault(path, "recipe-chain-step", "this is no processor", allowed))
        return _UNREADABLE
    known = kinds_at(CHAINS[str(path[0])][1])
    if kind not in known:
        what = f"there is no processor '{shown(kind)}'"
        if kind in PROCESSORS:
            what = f"'{kind}' stands on the {' or '.join(PROCESSORS[kind].places)} only"
        is_key, meant = below != path, (kind, known)
        faults.append(root.fault(below, "recipe-unknown-processor", what, ", ".join(known), key=is_key, meant=meant))
        return _UNREADABLE
    node = root
    for part in below:
        node = node.child(part) or node
    found: list[Fault] = []
    # A fault of the parameters is told by its place in the whole recipe.
    validate(PROCESSORS[kind], params, replace(node, mark=root.place(below)), found, Schemas(parameters(kind)))
    faults += [replace(fault, path=(*below, *fault.path)) for fault in found]
    return {"kind": kind, "params": params} if params else {"kind": kind}


def _with_absolute_files(recipe: Recipe, root: Node, folder: Path) -> Recipe:
    """The recipe with the files of its chains named absolutely.

    A file is named from the folder of the recipe file that says so; in a --set value, from `folder`.
    """

    def absolute(section: Any, path: KeyPath) -> Any:
        steps = []
        for index, step in enumerate(section.chain):
            params = dict(step.params)
            for key in PROCESSORS[step.kind].files:
                if params.get(key) is not None:
                    mark = root.place((*path, "chain", index, step.kind, key))
                    start = Path(mark.file).parent if mark.line else folder
                    params[key] = str((start / params[key]).absolute())
            steps.append(step.model_copy(update={"params": params}))
        return section.model_copy(update={"chain": tuple(steps)})

    changed: dict[str, Any] = {}
    for key in CHAINS:
        below = getattr(recipe, key)
        if isinstance(below, dict):
            changed[key] = {name: absolute(section, (key, name)) for name, section in below.items()}
        else:
            changed[key] = absolute(below, (key,))
    return recipe.model_copy(update=changed)


def _uninvited(node: Node, song_file: str, path: KeyPath = ()) -> Iterator[Fault]:
    """A fault for every plug-in that the song's own file names."""
    is_step = len(path) > 1 and path[-2] == "chain" and isinstance(path[-1], int)
    if is_step and node.mark.file == song_file and (node.value == PlugIn.kind or PlugIn.kind in node.mapping):
        yield Fault(node.mark, path, "plug-in-not-allowed", f"{song_file} names a plug-in", remedy=FROM_TABLE)
    below: list[tuple[str | int, Node]] = [*node.mapping.items()]
    below += enumerate(node.value) if isinstance(node.value, tuple) else ()
    for step, child in below:
        yield from _uninvited(child, song_file, (*path, step))


def _among_tracks(recipe: Recipe, root: Node, folder: Path) -> Iterator[Fault]:
    """A fault for every plug-in whose file lies in the song's folder."""
    top = os.path.realpath(folder)
    for path, chain in _chains_of(recipe):
        for index, step in enumerate(chain):
            file = step.params.get("file") if step.kind == PlugIn.kind else None
            if file is not None and Path(os.path.realpath(file)).is_relative_to(top):
                what = f"the plug-in '{file}' lies among the tracks"
                yield root.fault((*path, "chain", index), "plug-in-not-allowed", what, remedy=FROM_TABLE)


def _chains_of(recipe: Recipe) -> Iterator[tuple[KeyPath, Chain]]:
    """Every chain, with the path of what it belongs to."""
    for key in CHAINS:
        below = getattr(recipe, key)
        if isinstance(below, dict):
            yield from (((key, name), section.chain) for name, section in below.items())
        else:
            yield (key,), below.chain


def _origins(merged: Node, layers: Sequence[Layer]) -> dict[str, str]:
    """Where each value comes from: 'mics.sub.gain_db' -> 'house.yaml:7:9' or '--set'. A list is one value."""
    short = {layer.shown: layer.short for layer in layers}
    found: dict[str, str] = {}

    def walk(node: Node, path: KeyPath) -> None:
        if node.mapping:
            for key, child in node.mapping.items():
                walk(child, (*path, key))
        else:
            found[dotted(path)] = str(node.mark._replace(file=short.get(node.mark.file, node.mark.file)))

    walk(merged, ())
    found.pop("extends", None)
    return found


def _sha256(recipe: Recipe) -> str:
    """Of the record as JSON in the record's own order: the order of the mics says which is the reference."""
    text = json.dumps(recipe.model_dump(mode="json"), separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()
