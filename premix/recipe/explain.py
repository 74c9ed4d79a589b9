"""Checking values against a record, and saying in the recipe's own words what is wrong and what may stand there.

What may stand at a place is read off the schema.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from premix.recipe.faults import Fault, KeyPath, shown
from premix.recipe.schema import TABLES, Schema, recipe_schema
from premix.recipe.yaml import Node

_UNITS = {
    "db": "dB",
    "hz": "Hz",
    "dbtp": "dBTP",
    "lu": "LU",
    "lufs": "LUFS",
    "dbfs": "dBFS",
    "c": "degrees Celsius",
} | {unit: unit for unit in ("ms", "cm", "samples")}
_NAME = "a name of letters, digits, _ and - (at most 64, a letter or digit first)"
_NAME_RULES = "letters, digits, _ and -, at most 64, a letter or digit first"
_OWN = ("missing", "extra_forbidden", "too_long", "too_short")
"""Errors that stand by themselves, whatever else is wrong further down."""
_RANGES = {"greater_than", "greater_than_equal", "less_than", "less_than_equal"}
_SWITCHES = {"yes": "true", "on": "true", "no": "false", "off": "false"}
_MOST_READ = 500
Validated = TypeVar("Validated", bound=BaseModel)


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
        in_entries = any(key in self.keys((table, "<name>")) for table in TABLES)
        return f"it belongs under '{sections[0]}:'" if len(sections) == 1 and not in_entries else ""

    def words(self, path: KeyPath) -> list[str]:
        """The texts that a value at `path` may be."""
        return [word for schema in self.at(path) for word in _choices(schema) if isinstance(word, str)]

    def takes(self, path: KeyPath, kind: str) -> bool:
        """Whether a value at `path` may be of a JSON type."""
        return any(schema.get("type") == kind for schema in self.at(path))

    def allowed(self, path: KeyPath) -> str:
        """What may stand at `path`, in words."""
        key = next((step for step in reversed(path) if isinstance(step, str)), "")
        unit = _UNITS.get(key.rpartition("_")[2], "")
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
        if "pattern" in schema:
            return _NAME
        return f"text of 1 to {schema['maxLength']} characters" if "maxLength" in schema else "text"

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
    if high is not None:
        start += f" to {spoken(high)}" if low is not None else f", at most {spoken(high)}"
    return f"{kind}{start}{f' {unit}' if unit else ''}"


def spoken(value: Any) -> str:
    """A value as it would stand in the YAML: true, -3, auto."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


def listed(parts: Sequence[str] | dict[str, None], last: str) -> str:
    """a, b<last>c"""
    words = list(parts)
    return last.join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


def validate(
    record: type[Validated], data: dict[str, Any], root: Node, faults: list[Fault], schemas: Schemas | None = None
) -> Validated | None:
    """The record of plain data (lists as tuples); every fault goes to `faults`. `root` knows the places.

    schemas: of the record's own schema (None: the recipe's).
    """
    try:
        return record.model_validate(data)
    except ValidationError as error:
        errors = error.errors(include_url=False, include_context=False)
        faults.extend(_faults(errors, data, root, schemas or Schemas()))
    except RecursionError:
        faults.append(Fault(root.mark, (), "recipe-too-deep", "values are nested too deeply"))
    return None


def _faults(errors: Sequence[Any], data: dict[str, Any], root: Node, schemas: Schemas) -> Iterator[Fault]:
    by_path: dict[tuple[KeyPath, str], set[str]] = {}
    for error in errors[:_MOST_READ]:
        kind = "name" if error["loc"][-1:] == ("[key]",) else error["type"]
        group = kind if kind in (*_OWN, "name") else "value"
        detail = str(error["loc"][-1]) if kind == "missing" else kind
        by_path.setdefault((_path_in(data, error["loc"]), group), set()).add(detail)
    deeper = {path[:n] for path, _ in by_path for n in range(len(path))}
    for (path, group), details in by_path.items():
        if group == "missing":
            for key in sorted(details):
                allowed = schemas.allowed((*path, key))
                mark = root.place(path, key=True)
                yield Fault(mark, (*path, key), "recipe-missing-key", f"'{key}' is missing", allowed)
        elif group != "value":
            yield _own_fault(path, group, root, schemas)
        elif path not in deeper:  # else one branch of an alternative; the fault further down says what is wrong
            yield _value_fault(path, bool(details & _RANGES), root, schemas)


def _path_in(data: Any, loc: tuple[Any, ...]) -> KeyPath:
    """The part of a validator's location that is really in the data (it also names branches)."""
    path: list[str | int] = []
    for step in loc:
        inside = isinstance(data, Mapping) and step in data
        if inside or (isinstance(data, tuple) and isinstance(step, int) and step < len(data)):
            path.append(step)
            data = data[step]
    return tuple(path)


def _own_fault(path: KeyPath, group: str, root: Node, schemas: Schemas) -> Fault:
    if group == "name":
        what, allowed = f"'{shown(str(path[-1]))}' cannot be a name", _NAME_RULES
        return root.fault(path, "recipe-bad-name", what, allowed, key=True)
    if group == "extra_forbidden":
        key, keys = str(path[-1]), schemas.keys(path[:-1])
        home = schemas.home(key, path[:-1])
        what, meant = f"unknown key '{shown(key)}'", None if home else (key, keys)
        return root.fault(path, "recipe-unknown-key", what, ", ".join(keys), home, key=True, meant=meant)
    value = _value_at(root, path)
    count = len(value) if isinstance(value, Mapping | tuple | str) else 0
    what = f"{count} entries are too {'many' if group == 'too_long' else 'few'}"
    return root.fault(path, "recipe-count", what, schemas.allowed(path))


def _value_fault(path: KeyPath, out_of_range: bool, root: Node, schemas: Schemas) -> Fault:
    value, allowed = _value_at(root, path), schemas.allowed(path)
    if out_of_range and isinstance(value, int | float) and not isinstance(value, bool):
        return root.fault(path, "recipe-out-of-range", f"{shown(spoken(value))} is out of range", allowed)
    called = f"'{shown(value)}'" if isinstance(value, str) else shown(spoken(value))
    if isinstance(value, Mapping | tuple):
        called = "a mapping" if isinstance(value, Mapping) else "a list"
    remedy = _remedy(value, path, schemas)
    meant = (value, schemas.words(path)) if isinstance(value, str) and not remedy else None
    return root.fault(path, "recipe-wrong-value", f"{called} cannot stand here", allowed, remedy, meant=meant)


def _value_at(root: Node, path: KeyPath) -> Any:
    """The value of the node at `path`; None where the record's form of the data has no node of its own."""
    node: Node | None = root
    for step in path:
        node = node.child(step) if node else None
    return node.value if node else None


def _remedy(value: Any, path: KeyPath, schemas: Schemas) -> str:
    """How a value of the wrong type was perhaps meant: a text, a switch, a number; '' where nothing can be told."""
    if not isinstance(value, str):
        texts = schemas.takes(path, "string") and not schemas.words(path)
        return f"write it in quotes: '{spoken(value)}'" if texts and isinstance(value, int | float) else ""
    if schemas.takes(path, "boolean") and value.casefold() in _SWITCHES:
        return f"write {_SWITCHES[value.casefold()]}"
    number = re.fullmatch(r"\s*([-+]?[0-9]+(?:[.,][0-9]+)?)\s*[A-Za-z]*\s*", value)
    if number and (schemas.takes(path, "number") or schemas.takes(path, "integer")):
        return f"write the number alone: {number[1].replace(',', '.')}"
    return ""
