"""The files that make up one recipe, lowest first: parents, the recipe, the song's own file, --set values."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from premix.recipe.faults import Fault, Faulty, Mark, shown
from premix.recipe.files import check_characters, read_text
from premix.recipe.marks import Node, read_nodes

SONG_FILE = "song.yaml"
MOST_PARENTS = 16


@dataclass(frozen=True, slots=True)
class Layer:
    """One file (or --set value): its name in messages, its name in `origins`, and its content."""

    shown: str
    short: str
    root: Node


def load_layers(
    path: Path, song_folder: Path | None, settings: Sequence[str], faults: list[Fault]
) -> list[Layer]:
    """All layers of a recipe, lowest first. What cannot be read is a fault and left out."""
    layers = _chain(path, faults)
    if song_folder is not None:
        layers += _song(song_folder, faults)
    return layers + [layer for text in settings for layer in _setting(text, faults)]


def load_file(path: Path, name: str, faults: list[Fault], asked_by: Fault | None = None) -> Node | None:
    """The root mapping of one YAML file, None where there is none to be read."""
    try:
        text = read_text(path, name, asked_by)
    except Faulty as stop:
        faults.append(stop.fault)
        return None
    told = len(faults)
    root = read_nodes(text, name, faults)
    if root is None or not isinstance(root.value, dict):
        if len(faults) == told:
            mark = root.mark if root else Mark(name, 0, 0)
            what = "the file is empty" if root is None else "the file holds no keys"
            faults.append(
                Fault(mark, (), "recipe-no-mapping", what, "a mapping of keys, from 'format: 1' on")
            )
        return None
    return root


def _chain(path: Path, faults: list[Fault]) -> list[Layer]:
    """The recipe and, below it, all that it extends."""
    layers: list[Layer] = []
    seen: dict[str, Mark] = {}
    name, folder = str(path), path.parent
    asked_by: Fault | None = None
    while True:
        root = load_file(path, name, faults, asked_by)
        if root is None:
            break
        seen[os.path.realpath(path)] = asked_by.mark if asked_by else Mark(name, 1, 1)
        layers.append(Layer(name, Path(os.path.relpath(path, folder)).as_posix(), root))
        parent = _parent(root, faults)
        if parent is None:
            break
        asked_by = Fault(root.mapping["extends"].mark, ("extends",), "", "")
        name = os.path.normpath(Path(name).parent / parent)
        path = Path(name)
        if os.path.realpath(path) in seen or len(layers) > MOST_PARENTS:
            first = seen.get(os.path.realpath(path), asked_by.mark)
            faults.append(
                Fault(
                    asked_by.mark,
                    ("extends",),
                    "recipe-extends-cycle",
                    f"'{shown(parent)}' leads back to a recipe that is already part of this one ({first})",
                    remedy="a recipe cannot extend itself",
                )
            )
            break
    return layers[::-1]


def _parent(root: Node, faults: list[Fault]) -> str | None:
    node = root.mapping.get("extends")
    if node is None:
        return None
    if not isinstance(node.value, str) or not node.value.strip():
        faults.append(
            Fault(
                node.mark,
                ("extends",),
                "recipe-extends",
                "this names no file",
                "the path of one other recipe, from this file's folder",
            )
        )
        return None
    return node.value


def _song(folder: Path, faults: list[Fault]) -> list[Layer]:
    path = folder / SONG_FILE
    if not os.path.lexists(path):
        return []
    root = load_file(path, str(path), faults)
    if root is None:
        return []
    if "extends" in root.mapping:
        faults.append(
            Fault(
                root.keys["extends"],
                ("extends",),
                "recipe-extends",
                "a song's file extends nothing",
                remedy="it is laid over the recipe that is given; remove this line",
            )
        )
    return [Layer(str(path), SONG_FILE, root)]


def _setting(text: str, faults: list[Fault]) -> list[Layer]:
    """One --set value, key=value: the key as a dotted path, the value as YAML."""
    name = f"--set {shown(text)}"
    key, equals, value = text.partition("=")
    steps = [step.strip() for step in key.split(".")]
    if not equals or not all(steps) or not value.strip() or steps[0] == "extends":
        faults.append(
            Fault(
                Mark(name, 0, 0),
                (),
                "recipe-set",
                "this sets nothing",
                "key=value",
                "for example gate.hold_ms=60",
            )
        )
        return []
    try:
        check_characters(text, name)
    except Faulty as stop:
        faults.append(stop.fault)
        return []
    told = len(faults)
    node = read_nodes(value, name, faults)
    if node is None:
        return []
    faults[told:] = [
        Fault(Mark(name, 0, 0), (*steps, *f.path), f.slug, f.what, f.allowed, f.remedy) for f in faults[told:]
    ]
    whole = Mark(name, 0, 0)
    node = _unplaced(node, whole)
    for step in reversed(steps):
        node = Node({step: node}, whole, {step: whole})
    return [Layer(name, "--set", node)]


def _unplaced(node: Node, mark: Mark) -> Node:
    """The node with one mark for all of it: a --set value has no lines."""
    if isinstance(node.value, dict):
        entries = {key: _unplaced(child, mark) for key, child in node.value.items()}
        return Node(entries, mark, dict.fromkeys(entries, mark))
    if isinstance(node.value, tuple):
        return Node(tuple(_unplaced(child, mark) for child in node.value), mark)
    return Node(node.value, mark)
