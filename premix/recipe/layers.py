"""The files that make up one recipe, lowest first: parents, the recipe, the song's own file, --set values."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from premix.recipe.faults import Fault, Faulty, Mark, shown
from premix.recipe.files import read_text
from premix.recipe.marks import Node, read_nodes
from premix.recipe.setting import read_setting, setting_name

SONG_FILE = "song.yaml"
MOST_PARENTS = 16
_EXTENDS = ("extends",)


@dataclass(frozen=True, slots=True)
class Layer:
    """One file (or --set value): its name in messages, its name in `origins`, and its content."""

    shown: str
    short: str
    root: Node


def load_layers(
    path: Path, song_folder: Path | None, settings: Sequence[str], faults: list[Fault]
) -> tuple[list[Layer], bool]:
    """All layers of a recipe, lowest first, and whether the recipe and all that it extends could be read.

    What cannot be read is a fault and left out.
    """
    chain, whole = _chain(path, faults)
    layers = chain[::-1]
    if song_folder is not None:
        layers += _song(song_folder, faults)
    for text in settings:
        root = read_setting(text, faults)
        if root is not None:
            layers.append(Layer(setting_name(text), "--set", root))
    return layers, whole


def load_file(path: Path, name: str, faults: list[Fault], asked_at: Mark | None = None) -> Node | None:
    """The root mapping of one YAML file, None where there is none to be read.

    asked_at: where an `extends` names the file; its absence is told there.
    """
    try:
        text = read_text(path, name, asked_at)
    except Faulty as stop:
        faults.append(stop.fault)
        return None
    before = len(faults)
    root = read_nodes(text, name, faults)
    if root is not None and isinstance(root.value, dict):
        return root
    if len(faults) == before:
        mark = root.mark if root else Mark(name, 0, 0)
        what = "the file is empty" if root is None else "the file holds no keys"
        faults.append(Fault(mark, (), "recipe-no-mapping", what, "a mapping of keys, from 'format: 1' on"))
    return None


def _chain(path: Path, faults: list[Fault]) -> tuple[list[Layer], bool]:
    """The recipe, then what it extends, then what that extends; and whether all of it could be read."""
    layers: list[Layer] = []
    seen: dict[str, Mark] = {}
    name, folder, asked_at = str(path), path.parent, None
    while True:
        root = load_file(path, name, faults, asked_at)
        if root is None:
            return layers, False
        seen[_identity(path)] = Mark(name, 1, 1)
        layers.append(Layer(name, Path(os.path.relpath(path, folder)).as_posix(), root))
        if "extends" not in root.mapping:
            return layers, True
        asked_at = root.mapping["extends"].mark
        parent = _parent(root, faults)
        if parent is None:
            return layers, False
        name = os.path.normpath(Path(name).parent / parent)
        path = Path(name)
        first = seen.get(_identity(path))
        if first is not None or len(layers) > MOST_PARENTS:
            faults.append(_endless(asked_at, parent, first))
            return layers, False


def _identity(path: Path) -> str:
    """The same text for every way to name one file."""
    try:
        return os.path.realpath(path)
    except (OSError, ValueError):
        return str(path)


def _parent(root: Node, faults: list[Fault]) -> str | None:
    """The path that `extends` names."""
    node = root.mapping["extends"]
    if isinstance(node.value, str) and node.value.strip():
        return node.value
    allowed = "the path of one other recipe, from this file's folder"
    faults.append(Fault(node.mark, _EXTENDS, "recipe-extends", "this names no file", allowed))
    return None


def _endless(asked_at: Mark, parent: str, first: Mark | None) -> Fault:
    what = f"'{shown(parent)}' leads back to a recipe that is already part of this one ({first})"
    if first is None:
        what = f"more than {MOST_PARENTS} recipes extend each other"
    return Fault(asked_at, _EXTENDS, "recipe-extends-cycle", what, remedy="a recipe cannot extend itself")


def _song(folder: Path, faults: list[Fault]) -> list[Layer]:
    """The song's own file, where the folder holds one."""
    path = folder / SONG_FILE
    if not os.path.lexists(path):
        return []
    root = load_file(path, str(path), faults)
    if root is None:
        return []
    if "extends" in root.mapping:
        what, remedy = "a song's file extends nothing", "it is laid over the recipe that is given"
        faults.append(Fault(root.keys["extends"], _EXTENDS, "recipe-extends", what, remedy=remedy))
    return [Layer(str(path), SONG_FILE, root)]
