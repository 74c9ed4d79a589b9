"""What may stand at a place of the recipe, read off the schema and said in words."""

from collections.abc import Iterator, Sequence
from typing import Any

from premix.recipe.faults import Path
from premix.recipe.schema import TABLES, recipe_schema

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

    def at(self, path: Path) -> list[Schema]:
        """The alternatives at `path`; none where the path leads nowhere."""
        found = [self.root]
        for step in path:
            below = [child for schema in found for child in _children(schema, step)]
            found = [branch for child in below for branch in self.branches(child)]
        return found

    def keys(self, path: Path) -> list[str]:
        """The keys that a section at `path` knows."""
        return [key for schema in self.at(path) for key in schema.get("properties", {})]

    def home(self, key: str, path: Path) -> str:
        """Where a key that is unknown at `path` belongs: \"it belongs under 'gate:'\"; '' where nowhere."""
        if key in self.root["properties"] and path:
            return f"'{key}:' belongs at the left margin"
        sections = [name for name in self.root["properties"] if key in self.keys((name,))]
        in_entries = any(key in self.keys((table, "x")) for table in TABLES)
        return f"it belongs under '{sections[0]}:'" if len(sections) == 1 and not in_entries else ""

    def words(self, path: Path) -> list[str]:
        """The texts that a value at `path` may be."""
        return [word for schema in self.at(path) for word in _choices(schema) if isinstance(word, str)]

    def takes(self, path: Path, kind: str) -> bool:
        """Whether a value at `path` may be of a JSON type."""
        return any(schema.get("type") == kind for schema in self.at(path))

    def allowed(self, path: Path) -> str:
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
