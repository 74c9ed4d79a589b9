"""One --set value, key=value: a dotted key and a value in YAML, as the topmost layer of a recipe."""

from premix.recipe.faults import Fault, Faulty, Mark, Path, shown
from premix.recipe.files import check_characters
from premix.recipe.marks import Node, read_nodes


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


def _unplaced_fault(fault: Fault, whole: Mark, steps: Path) -> Fault:
    return Fault(whole, (*steps, *fault.path), fault.slug, fault.what, fault.allowed, fault.remedy)


def _unplaced(node: Node, mark: Mark) -> Node:
    """The node with one mark for all of it: a --set value has no lines."""
    if isinstance(node.value, dict):
        entries = {key: _unplaced(child, mark) for key, child in node.value.items()}
        return Node(entries, mark, dict.fromkeys(entries, mark))
    if isinstance(node.value, tuple):
        return Node(tuple(_unplaced(child, mark) for child in node.value), mark)
    return Node(node.value, mark)
