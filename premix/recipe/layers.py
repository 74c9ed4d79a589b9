"""Reading the text of a recipe, song file or sheet: one clear fault for everything that is no such text.

One --set value, key=value: a dotted key and a value in YAML, as the topmost layer of a recipe.

The files that make up one recipe, lowest first: parents, the recipe, the song's own file, --set values.
"""

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from premix.recipe.faults import Fault, Faulty, KeyPath, Mark, nearest, shown
from premix.recipe.yaml import Node, read_nodes

LARGEST_BYTES = 1_000_000
_MOST_NEIGHBOURS = 2_000
_FORBIDDEN = re.compile("[^\t\n\r\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What YAML 1.2.2 (section 5.1) leaves out of its printable characters."""


def read_text(path: Path, shown: str, asked_at: Mark | None = None) -> str:
    """The UTF-8 text of `path`, called `shown` in messages. Raises Faulty.

    asked_at: where an `extends` names the file; that it is no readable file is told there.
    """
    try:
        if not path.is_file():
            path.stat()
            raise IsADirectoryError  # or a pipe, or a device: nothing to wait for
        with path.open("rb") as stream:
            data = stream.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:
        raise Faulty(_unreadable(path, shown, error, asked_at)) from None
    if len(data) > LARGEST_BYTES:
        largest = f"{LARGEST_BYTES // 1_000_000} MB"
        raise Faulty(Fault(Mark(shown, 0, 0), (), "recipe-too-large", "the file is too large", largest))
    return decode(data, shown)


def decode(data: bytes, shown: str) -> str:
    """The text of a YAML file's bytes. Raises Faulty where they are no UTF-8 text."""
    whole = Mark(shown, 0, 0)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or data[:16].count(0) in (8, 12):
        raise Faulty(
            Fault(whole, (), "recipe-not-utf8", "the text is UTF-16 or UTF-32", "UTF-8 text", "save it as UTF-8")
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start)
        column = error.start - (data.rfind(b"\n", 0, error.start) + 1)
        raise Faulty(
            Fault(
                Mark(shown, line + 1, column + 1),
                (),
                "recipe-not-utf8",
                "this is no UTF-8 text",
                "UTF-8 text",
                "save it as UTF-8",
            )
        ) from None
    check_characters(text, shown)
    return text


def check_characters(text: str, shown: str) -> None:
    """Raise Faulty at the first character that YAML forbids."""
    found = _FORBIDDEN.search(text)
    if found:
        before = text[: found.start()]
        place = Mark(shown, before.count("\n") + 1, found.start() - (before.rfind("\n") + 1) + 1)
        raise Faulty(
            Fault(
                place,
                (),
                "recipe-not-text",
                f"the character U+{ord(found.group()):04X} is no text",
                remedy="is this a text file? remove the character",
            )
        )


def _unreadable(path: Path, shown: str, error: Exception, asked_at: Mark | None) -> Fault:
    mark, key = (asked_at, ("extends",)) if asked_at else (Mark(shown, 0, 0), ())
    named = f" '{shown}'" if asked_at else ""
    if isinstance(error, FileNotFoundError | NotADirectoryError):
        return Fault(mark, key, "recipe-no-file", f"there is no such file{named}", remedy=_neighbour(path))
    if isinstance(error, IsADirectoryError):
        return Fault(mark, key, "recipe-not-a-file", f"this is no file{named}", "a YAML file")
    reason = getattr(error, "strerror", None) or "its name is not possible here"
    return Fault(mark, key, "recipe-unreadable", f"the file{named} cannot be read: {reason.lower()}")


def _neighbour(path: Path) -> str:
    """The YAML file beside `path` with the most similar name, as a question; '' where none is."""
    names: list[str] = []
    try:
        for count, entry in enumerate(path.parent.iterdir()):
            if count >= _MOST_NEIGHBOURS:
                break
            if entry.suffix.lower() in (".yaml", ".yml"):
                names.append(entry.name)
    except OSError:
        return ""
    return nearest(path.name, names)


def setting_name(text: str) -> str:
    """What a --set value is called in messages."""
    return f"--set {shown(text)}"


def read_setting(text: str, faults: list[Fault]) -> Node | None:
    """The nodes from the recipe's root down to the value; None, and a fault, where nothing can be set."""
    whole = Mark(setting_name(text), 0, 0)
    key, equals, value = text.partition("=")
    steps = tuple(step.strip() for step in key.split("."))
    if not equals or not all(steps) or not value.strip() or steps[0] == "extends":
        example = "for example gate.hold_ms=60"
        faults.append(Fault(whole, (), "recipe-set", "this sets nothing", "key=value", example))
        return None
    found: list[Fault] = []
    node = _value(text, value, whole.file, found)
    faults.extend(_unplaced_fault(fault, whole, steps) for fault in found)
    if node is None:
        return None
    node = _unplaced(node, whole)
    for step in reversed(steps):
        node = Node({step: node}, whole, {step: whole})
    return node


def _value(text: str, value: str, name: str, faults: list[Fault]) -> Node | None:
    try:
        check_characters(text, name)
    except Faulty as stop:
        faults.append(stop.fault)
        return None
    return read_nodes(value, name, faults)


def _unplaced_fault(fault: Fault, whole: Mark, steps: KeyPath) -> Fault:
    return Fault(whole, (*steps, *fault.path), fault.slug, fault.what, fault.allowed, fault.remedy)


def _unplaced(node: Node, mark: Mark) -> Node:
    """The node with one mark for all of it: a --set value has no lines."""
    if isinstance(node.value, dict):
        entries = {key: _unplaced(child, mark) for key, child in node.value.items()}
        return Node(entries, mark, dict.fromkeys(entries, mark))
    if isinstance(node.value, tuple):
        return Node(tuple(_unplaced(child, mark) for child in node.value), mark)
    return Node(node.value, mark)


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
