"""Layers: the files that make up one recipe (parents, the recipe, the song's own file, --set values), and their merge.

One is laid over another by the rule of JSON Merge Patch (RFC 7396) with two additions. Mappings merge key by key,
`null` takes an inherited value away, and everything else (numbers, texts, lists, and a delay by hand, a level or the
limit of a width, which are one value each) is replaced whole. The ceiling of a delivery has two names: the one that is
laid above holds. Added here: `null` over nothing is a fault; and a name that the recipe below does not know is a fault,
unless the entry is complete (a new mic states its role, a new performance its bus, a new bus its pan, a new group its
mics). A variant may always be new.
"""

import json
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from premix.messages import FROM_TABLE
from premix.model.names import as_text
from premix.recipe.faults import DATA_NAME, Fault, Faulty, KeyPath, Mark, shown
from premix.recipe.record import STANDING_BUSES, Recipe
from premix.recipe.yaml import LARGEST_BYTES, Node, check_characters, load_file, read_nodes

SONG_FILE = "song.yaml"
MOST_PARENTS = 16
STATES_ITSELF = {"mics": "role", "performances": "bus", "buses": "pan", "groups": "mics"}
"""Table -> the key by which an entry shows that it is meant to be new."""
_EXTENDS = ("extends",)
_ONE_VALUE = ("delay", "level", "width")
"""Mappings that are replaced whole."""


@dataclass(frozen=True, slots=True)
class Layer:
    """One file (or --set value): its name in messages, its name in `origins`, its content, and where it is."""

    shown: str
    short: str
    root: Node
    path: Path | None = None


def load_layers(
    recipe: Path | Mapping[str, Any], song_folder: Path | None, settings: Sequence[str], faults: list[Fault]
) -> tuple[list[Layer], bool]:
    """All layers of a recipe, lowest first, and whether the recipe and all that it extends could be read.

    What cannot be read is a fault and left out.
    """
    chain, whole = _chain(recipe, faults)
    layers = chain[::-1]
    if song_folder is not None and os.path.lexists(song_folder / SONG_FILE):
        layers += _song(song_folder / SONG_FILE, faults)
    for text in settings:
        name = f"--set {shown(text)}"
        root = _setting(text, name, faults)
        if root is not None:
            layers.append(Layer(name, "--set", root))
    return layers, whole


def layer_files(recipe: Path, song_folder: Path) -> tuple[tuple[Path, ...], bool]:
    """The files of all layers, a song's own file also where there is none yet; and whether all could be read."""
    layers, whole = load_layers(recipe, song_folder, (), [])
    return tuple(dict.fromkeys([recipe, *(Path(layer.shown) for layer in layers), song_folder / SONG_FILE])), whole


def _chain(recipe: Path | Mapping[str, Any], faults: list[Fault]) -> tuple[list[Layer], bool]:
    """The recipe, then what it extends, then what that extends; and whether all of it could be read."""
    layers: list[Layer] = []
    seen: dict[str, Mark] = {}
    path = recipe if isinstance(recipe, Path) else Path(DATA_NAME)
    name, folder, asked_at, parent = str(path), path.parent, None, ""
    while True:
        before = len(faults)
        if layers or recipe is path:
            root = load_file(path, name, faults, asked_at)
        else:  # plain data: JSON is YAML, and its places are no lines
            root = read_nodes(json.dumps(recipe, default=str), DATA_NAME, faults, has_lines=False)
        told = any(fault.mark.file == name for fault in faults[before:])
        if asked_at is not None and (root is not None or told) and not _looks_like_recipe(path, root):
            what = f"'{shown(parent)}' is no recipe"
            faults[before:] = [Fault(asked_at, _EXTENDS, "recipe-extends", what, "a file that begins with 'format: 1'")]
            return layers, False
        if root is None:
            return layers, False
        seen[_identity(path)] = Mark(name, 1, 1)
        short = as_text(Path(os.path.relpath(path, folder)).as_posix())
        layers.append(Layer(name, short, root, path if asked_at or recipe is path else None))
        node = root.mapping.get("extends")
        if node is None:
            return layers, True
        asked_at, wanted = node.mark, node.value
        if not isinstance(wanted, str) or not wanted.strip():
            allowed = "the path of one other recipe, from this file's folder"
            faults.append(Fault(asked_at, _EXTENDS, "recipe-extends", "this names no file", allowed))
            return layers, False
        parent = wanted
        name = os.path.normpath(Path(name).parent / parent)
        path = Path(name)
        first = seen.get(_identity(path))
        if first is not None or len(layers) > MOST_PARENTS:
            what = f"more than {MOST_PARENTS} recipes extend each other"
            if first is not None:
                what = f"'{shown(parent)}' leads back to a recipe that is already part of this one ({first})"
            what += "; a recipe cannot extend itself"
            faults.append(Fault(asked_at, _EXTENDS, "recipe-extends-cycle", what))
            return layers, False


_HEAD = re.compile(rb"^(format|extends)[ \t]*:", re.MULTILINE)


def _looks_like_recipe(path: Path, root: Node | None) -> bool:
    """Whether a file that an `extends` names is a recipe, if a faulty one: of any other file no word is shown."""
    if root is not None and root.mapping and set(root.mapping) <= set(Recipe.model_fields):
        return True
    try:
        with path.open("rb") as stream:
            return _HEAD.search(stream.read(LARGEST_BYTES)) is not None
    except OSError:
        return True  # nothing of it was read either


def _identity(path: Path) -> str:
    """The same text for every way to name one file."""
    try:
        return os.path.realpath(path)
    except (OSError, ValueError):
        return str(path)


def _song(path: Path, faults: list[Fault]) -> list[Layer]:
    root = load_file(path, str(path), faults)
    if root is None:
        return []
    if "extends" in root.mapping:
        what = "a song's file extends nothing; it is laid over the recipe that is given"
        faults.append(Fault(root.keys["extends"], _EXTENDS, "recipe-extends", what))
    return [Layer(str(path), SONG_FILE, root, path)]


def _setting(text: str, name: str, faults: list[Fault]) -> Node | None:
    """The nodes of key=value from the recipe's root down to the value; None, and a fault, where nothing can be set."""
    whole = Mark(name)
    key, equals, value = text.partition("=")
    steps = tuple(step.strip() for step in key.split("."))
    if not equals or not all(steps) or not value.strip() or steps[0] == "extends":
        allowed = "key=value; for example gate.hold_ms=60"
        faults.append(Fault(whole, (), "recipe-set", "this sets nothing", allowed))
        return None
    found: list[Fault] = []
    node = None
    try:
        check_characters(text, name)
        node = read_nodes(value, name, found, has_lines=False)
    except Faulty as stop:
        found.append(stop.fault)
    faults.extend(replace(fault, mark=whole, path=(*steps, *fault.path)) for fault in found)
    if node is None:
        return None
    for step in reversed(steps):
        node = Node({step: node}, whole, {step: whole})
    return node


def merge(below: Node | None, above: Node, faults: list[Fault], path: KeyPath = ()) -> Node:
    """`above` laid over `below`. Faults go to `faults`; the merge goes on without the faulty entry."""
    entries: dict[str, Node] = dict(below.mapping) if below else {}
    keys: dict[str, Mark] = dict(below.keys) if below else {}
    for key, node in above.mapping.items():
        here = (*path, key)
        under = entries.get(key)
        if node.value is None and under is not None:
            del entries[key], keys[key]
            continue
        fault = None
        if node.value is None:
            what = "null takes an inherited value away, and there is none here"
            fault = Fault(node.mark, here, "recipe-null", what, remedy=FROM_TABLE, meant=(key, entries.keys()))
        elif under is None and below is not None:
            fault = _unknown_entry(below, above.keys[key], node, here)
        if fault is not None:
            faults.append(fault)
            continue
        if isinstance(node.value, Mapping):
            mergeable = under is not None and isinstance(under.value, Mapping) and key not in _ONE_VALUE
            node = merge(under if mergeable else None, node, faults, here)
        entries[key] = node
        keys[key] = above.keys[key]
    if path == ("deliver",) and below is not None and (other := _other_ceiling(above, entries)):
        del entries[other], keys[other]
    return Node(entries, above.mark if below is None else below.mark, keys)


def _other_ceiling(above: Node, entries: Mapping[str, Node]) -> str | None:
    """The key of an inherited ceiling that `above` gives under its other name."""
    names = {"ceiling_dbtp", "level"}
    stated = names & above.mapping.keys()
    level = entries.get("level")
    if len(stated) != 1 or level is None or "ceiling_dbtp" not in level.mapping:
        return None
    (other,) = names - stated
    return other if other in entries else None


def _unknown_entry(below: Node, mark: Mark, node: Node, path: KeyPath) -> Fault | None:
    """The fault of an override whose name does not exist below, None where it may be new."""
    if len(path) != 2 or path[0] not in STATES_ITSELF or (path[0] == "buses" and path[1] in STANDING_BUSES):
        return None
    table, name = str(path[0]), str(path[1])
    if STATES_ITSELF[table] in node.mapping:
        return None
    known = tuple(below.mapping)
    where = f" in {below.keys[known[0]]}" if known else ""
    what = f"'{shown(name)}' does not exist in the {table}{where}"
    allowed = f"{', '.join(known[:12])}; or a new one that states its '{STATES_ITSELF[table]}'"
    return Fault(mark, path, "recipe-nothing-to-override", what, allowed, meant=(name, known))
