"""Checking every value against the recipe's records, and saying what is wrong in the recipe's own words."""

import re
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from premix.model.recipe import Recipe
from premix.recipe.allowed import Schemas, spoken
from premix.recipe.faults import Fault, Guess, Mark, Path, shown
from premix.recipe.marks import Node

_COUNTS = ("too_long", "too_short")
_RANGES = ("greater_than", "greater_than_equal", "less_than", "less_than_equal")
_OWN = ("missing", "extra_forbidden", *_COUNTS)
"""Errors that stand by themselves, whatever else is wrong further down."""
_SWITCHES = {"yes": "true", "on": "true", "no": "false", "off": "false"}
_MOST_READ = 500
Validated = TypeVar("Validated", bound=BaseModel)


def validate(data: dict[str, Any], root: Node, faults: list[Fault]) -> Recipe | None:
    """The recipe of plain data (lists as tuples); every fault goes to `faults`. `root` knows the places."""
    return validate_as(Recipe, data, root, faults)


def validate_as(
    record: type[Validated], data: dict[str, Any], root: Node, faults: list[Fault], schemas: Schemas | None = None
) -> Validated | None:
    """`validate` for any record; `schemas` is of the record's own schema (None: the recipe's)."""
    try:
        return record.model_validate(data)
    except ValidationError as error:
        errors = error.errors(include_url=False, include_context=False)
        faults.extend(_faults(errors, data, root, schemas or Schemas()))
    except RecursionError:
        faults.append(Fault(root.mark, (), "recipe-too-deep", "values are nested too deeply"))
    return None


def _faults(errors: Iterable[Any], data: dict[str, Any], root: Node, schemas: Schemas) -> Iterable[Fault]:
    by_path: dict[tuple[Path, str], set[str]] = {}
    for error in list(errors)[:_MOST_READ]:
        kind = error["type"]
        if error["loc"][-1:] == ("[key]",):
            kind = "name"
        path = _path_in(data, error["loc"])
        group = kind if kind in _OWN or kind == "name" else "value"
        detail = str(error["loc"][-1]) if kind == "missing" else kind
        by_path.setdefault((path, group), set()).add(detail)
    deeper = {path[:n] for path, _ in by_path for n in range(len(path))}
    for (path, group), details in by_path.items():
        if group == "value" and path in deeper:
            continue  # one branch of an alternative; the fault further down says what is wrong
        if group == "missing":
            yield from (_missing(path, key, root, schemas) for key in sorted(details))
        else:
            yield _fault(path, group, details, root, schemas)


def _path_in(data: Any, loc: tuple[Any, ...]) -> Path:
    """The part of a validator's location that is really in the data (it also names branches)."""
    path: list[str | int] = []
    for step in loc:
        inside = isinstance(data, Mapping) and step in data
        if inside or (isinstance(data, tuple) and isinstance(step, int) and step < len(data)):
            path.append(step)
            data = data[step]
    return tuple(path)


def place(root: Node, path: Path, key: bool = False) -> Mark:
    """Where the value at `path` stands (or its key), or the nearest thing above it that has a place."""
    node, mark = root, root.mark
    for step in path:
        child = node.child(step)
        if child is None:
            return mark
        mark = node.keys[step] if isinstance(step, str) else child.mark
        node = child
    return mark if key else node.mark


def _missing(path: Path, key: str, root: Node, schemas: Schemas) -> Fault:
    allowed = schemas.allowed((*path, key))
    return Fault(place(root, path, key=True), (*path, key), "recipe-missing-key", f"'{key}' is missing", allowed)


def _fault(path: Path, group: str, details: set[str], root: Node, schemas: Schemas) -> Fault:
    if group == "name":
        name = shown(str(path[-1]))
        return Fault(
            place(root, path, key=True),
            path,
            "recipe-bad-name",
            f"'{name}' cannot be a name",
            "letters, digits, _ and -, at most 64, a letter or digit first",
        )
    if group == "extra_forbidden":
        keys = schemas.keys(path[:-1])
        home = schemas.home(str(path[-1]), path[:-1])
        return Fault(
            place(root, path, key=True),
            path,
            "recipe-unknown-key",
            f"unknown key '{shown(str(path[-1]))}'",
            ", ".join(keys),
            home or Guess(str(path[-1]), keys),
        )
    value = value_at(root, path)
    if group in _COUNTS:
        count = len(value) if isinstance(value, Mapping | tuple | str) else 0
        what = f"{count} entries are too {'many' if group == 'too_long' else 'few'}"
        return Fault(place(root, path), path, "recipe-count", what, schemas.allowed(path))
    if isinstance(value, int | float) and not isinstance(value, bool) and details & set(_RANGES):
        return Fault(
            place(root, path),
            path,
            "recipe-out-of-range",
            f"{shown(spoken(value))} is out of range",
            schemas.allowed(path),
        )
    return Fault(
        place(root, path),
        path,
        "recipe-wrong-value",
        f"{_called(value)} cannot stand here",
        schemas.allowed(path),
        _remedy(value, path, schemas),
    )


def value_at(root: Node, path: Path) -> Any:
    """The value of the node at `path`; None where the record's form of the data has no node of its own."""
    node: Node | None = root
    for step in path:
        node = node.child(step) if node else None
    return node.value if node else None


def _called(value: Any) -> str:
    if isinstance(value, Mapping):
        return "a mapping"
    if isinstance(value, tuple):
        return "a list"
    return f"'{shown(value)}'" if isinstance(value, str) else shown(spoken(value))


def _remedy(value: Any, path: Path, schemas: Schemas) -> str | Guess:
    if not isinstance(value, str):
        texts = schemas.takes(path, "string") and not schemas.words(path)
        return f"write it in quotes: '{spoken(value)}'" if texts and isinstance(value, int | float) else ""
    if schemas.takes(path, "boolean") and value.casefold() in _SWITCHES:
        return f"write {_SWITCHES[value.casefold()]}"
    if schemas.takes(path, "number") or schemas.takes(path, "integer"):
        number = re.fullmatch(r"\s*([-+]?[0-9]+(?:[.,][0-9]+)?)\s*[A-Za-z]*\s*", value)
        if number:
            return f"write the number alone: {number[1].replace(',', '.')}"
    return Guess(value, schemas.words(path))
