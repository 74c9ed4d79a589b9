"""What may stand at a place of the recipe, read off the schema and said in words.

Checking every value against the recipe's records, and saying what is wrong in the recipe's own words.
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from premix.model.recipe import Recipe
from premix.recipe.faults import Fault, Guess, KeyPath, Mark, shown
from premix.recipe.schema import TABLES, recipe_schema
from premix.recipe.yaml import Node

Schema = dict[str, Any]

_UNITS = {
    "db": "dB",
    "ms": "ms",
    "hz": "Hz",
    "dbtp": "dBTP",
    "lu": "LU",
    "c": "degrees Celsius",
    "cm": "cm",
    "samples": "samples",
}
_NAME = "a name of letters, digits, _ and - (at most 64, a letter or digit first)"


class Schemas:
    """A schema, the recipe's own where none is given, looked up by path."""

    def __init__(self, root: Schema | None = None) -> None:
        self.root = recipe_schema() if root is None else root

    def branches(self, schema: Schema) -> Iterator[Schema]:
        """The alternatives of a schema, references followed, null left out."""
        if "$ref" in schema:
            yield from self.branches(self.root["$defs"][schema["$ref"].rpartition("/")[2]])
        elif "anyOf" in schema and "properties" not in schema:
            for branch in schema["anyOf"]:
                yield from self.branches(branch)
        elif schema.get("type") != "null":
            yield schema

    def at(self, path: KeyPath) -> list[Schema]:
        """The alternatives at `path`; none where the path leads nowhere."""
        found = [self.root]
        for step in path:
            below = [child for schema in found for child in _children(schema, step)]
            found = [branch for child in below for branch in self.branches(child)]
        return found

    def keys(self, path: KeyPath) -> list[str]:
        """The keys that a section at `path` knows."""
        return [key for schema in self.at(path) for key in schema.get("properties", {})]

    def home(self, key: str, path: KeyPath) -> str:
        """Where a key that is unknown at `path` belongs: \"it belongs under 'gate:'\"; '' where nowhere."""
        if key in self.root["properties"] and path:
            return f"'{key}:' belongs at the left margin"
        sections = [name for name in self.root["properties"] if key in self.keys((name,))]
        in_entries = any(key in self.keys((table, "x")) for table in TABLES)
        return f"it belongs under '{sections[0]}:'" if len(sections) == 1 and not in_entries else ""

    def words(self, path: KeyPath) -> list[str]:
        """The texts that a value at `path` may be."""
        return [word for schema in self.at(path) for word in _choices(schema) if isinstance(word, str)]

    def takes(self, path: KeyPath, kind: str) -> bool:
        """Whether a value at `path` may be of a JSON type."""
        return any(schema.get("type") == kind for schema in self.at(path))

    def allowed(self, path: KeyPath) -> str:
        """What may stand at `path`, in words."""
        unit = _UNITS.get(str(path[-1]).rpartition("_")[2], "") if path else ""
        if path and isinstance(path[-1], int) and len(path) > 1:
            unit = _UNITS.get(str(path[-2]).rpartition("_")[2], "")
        return listed(dict.fromkeys(self._said(schema, unit) for schema in self.at(path)), ", or ")

    def _said(self, schema: Schema, unit: str) -> str:
        choices = _choices(schema)
        if choices:
            return listed([spoken(choice) for choice in choices], " or ")
        kind = schema.get("type")
        if kind == "boolean":
            return "true or false"
        if kind in ("number", "integer"):
            return _number(schema, unit)
        if kind == "array":
            return self._array(schema, unit)
        if kind == "object":
            return self._object(schema)
        return _NAME if "pattern" in schema else _text(schema)

    def _array(self, schema: Schema, unit: str) -> str:
        if "prefixItems" in schema:
            return f"a list of {len(schema['prefixItems'])}, each {self._said(schema['prefixItems'][0], unit)}"
        items = listed([self._said(branch, unit) for branch in self.branches(schema["items"])], ", or ")
        least = f" ({schema['minItems']} or more)" if schema.get("minItems") else ""
        return f"a list{least} of: {items}"

    def _object(self, schema: Schema) -> str:
        keys = list(schema.get("properties", {}))
        if not keys:
            most = schema.get("maxProperties")
            if most == 1:
                return "one name with its parameters"
            least = schema.get("minProperties", 0)
            return "a mapping of names" + (f", {least} to {most} of them" if most else "")
        one = "exactly one of " if schema.get("maxProperties") == 1 else ""
        return f"a mapping with {one}{listed(keys, ' or ' if one else ' and ')}"


def _children(schema: Schema, step: str | int) -> Iterator[Schema]:
    if isinstance(step, str):
        if step in schema.get("properties", {}):
            yield schema["properties"][step]
        else:
            yield from schema.get("patternProperties", {}).values()
    elif step < len(schema.get("prefixItems", ())):
        yield schema["prefixItems"][step]
    elif "items" in schema:
        yield schema["items"]


def _choices(schema: Schema) -> list[Any]:
    return [schema["const"]] if "const" in schema else list(schema.get("enum", ()))


def _number(schema: Schema, unit: str) -> str:
    kind = "a whole number" if schema["type"] == "integer" else "a number"
    low, above, high = (schema.get(key) for key in ("minimum", "exclusiveMinimum", "maximum"))
    start = f" from {spoken(low)}" if low is not None else f" above {spoken(above)}" if above is not None else ""
    end = (
        (f" to {spoken(high)}" if start.startswith(" from") else f", at most {spoken(high)}")
        if high is not None
        else ""
    )
    return f"{kind}{start}{end}{f' {unit}' if unit else ''}"


def _text(schema: Schema) -> str:
    most = schema.get("maxLength")
    return f"text of 1 to {most} characters" if most else "text"


def spoken(value: Any) -> str:
    """A value as it would stand in the YAML: true, -3, auto."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


def listed(parts: Sequence[str] | dict[str, None], last: str) -> str:
    """a, b<last>c"""
    words = list(parts)
    return last.join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


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
    by_path: dict[tuple[KeyPath, str], set[str]] = {}
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


def _path_in(data: Any, loc: tuple[Any, ...]) -> KeyPath:
    """The part of a validator's location that is really in the data (it also names branches)."""
    path: list[str | int] = []
    for step in loc:
        inside = isinstance(data, Mapping) and step in data
        if inside or (isinstance(data, tuple) and isinstance(step, int) and step < len(data)):
            path.append(step)
            data = data[step]
    return tuple(path)


def place(root: Node, path: KeyPath, key: bool = False) -> Mark:
    """Where the value at `path` stands (or its key), or the nearest thing above it that has a place."""
    node, mark = root, root.mark
    for step in path:
        child = node.child(step)
        if child is None:
            return mark
        mark = node.keys[step] if isinstance(step, str) else child.mark
        node = child
    return mark if key else node.mark


def _missing(path: KeyPath, key: str, root: Node, schemas: Schemas) -> Fault:
    allowed = schemas.allowed((*path, key))
    return Fault(place(root, path, key=True), (*path, key), "recipe-missing-key", f"'{key}' is missing", allowed)


def _fault(path: KeyPath, group: str, details: set[str], root: Node, schemas: Schemas) -> Fault:
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


def value_at(root: Node, path: KeyPath) -> Any:
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


def _remedy(value: Any, path: KeyPath, schemas: Schemas) -> str | Guess:
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
