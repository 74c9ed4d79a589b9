"""The recipe reference, recipes/README.md, and the committed schema: generated, so that they cannot drift.

`python -m premix.recipe.reference --write` writes both, `--check` exits 1 where one is not current.
"""

import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from string import Template
from typing import Any

from premix.messages import STAGES
from premix.processors.base import PLACES
from premix.processors.chains import PROCESSORS
from premix.recipe.explain import Schemas, spoken
from premix.recipe.faults import KeyPath
from premix.recipe.schema import TABLES, Schema, parameters, recipe_schema
from premix.recipe.yaml import DEEPEST, LARGEST_BYTES, MOST_NODES

FOLDER = Path(__file__).parents[2] / "recipes"
_PROSE = Path(__file__).with_name("reference.md")
_NEEDED = ("mics", "performances")
"""Keys of the whole recipe that are needed unless it extends another: the schema cannot mark them."""
_NAME = "<name>"
_PLACES: tuple[tuple[str, ...], ...] = (
    (),
    ("tracks",),
    ("mics", _NAME),
    ("performances", _NAME),
    ("performances", _NAME, "mics", _NAME),
    ("performances", _NAME, "gate"),
    ("performances", _NAME, "groups", _NAME),
    ("alignment",),
    ("gate",),
    ("buses", _NAME),
    ("guitar_bus",),
    ("guitar_bus", "width"),
    ("groups", _NAME),
    ("deliver",),
    ("deliver", "level"),
    ("variants", _NAME),
    ("limits",),
)


def reference() -> str:
    """The text of recipes/README.md."""
    prose = _PROSE.read_text(encoding="utf-8")
    return Template(prose).substitute(
        recipes="\n".join(_recipes()),
        largest=f"{LARGEST_BYTES // 1_000_000} MB",
        nodes=MOST_NODES,
        depth=DEEPEST,
        keys="\n".join(_keys()),
        processors="\n".join(_processors()),
        messages="\n".join(_messages()),
    )


def schema_text() -> str:
    """The text of recipes/premix.schema.json."""
    return json.dumps(recipe_schema(), indent=2, ensure_ascii=False) + "\n"


def _recipes() -> Iterator[str]:
    """One row a shipped recipe; its second line says what it is."""
    yield "| file | what it is |"
    yield "|---|---|"
    for path in sorted(FOLDER.glob("*.yaml")):
        comment = path.read_text(encoding="utf-8").splitlines()[1].removeprefix("#").strip()
        yield f"| [{path.name}]({path.name}) | {comment} |"


def _keys() -> Iterator[str]:
    schemas = Schemas()
    for path in _PLACES:
        yield from _section(path, f"`{'.'.join(path)}`" if path else "The whole recipe", schemas)


def _processors() -> Iterator[str]:
    """One section a processor of the table."""
    for kind, processor in PROCESSORS.items():
        yield from _section((), f"`{kind}`", Schemas(parameters(kind)))
        if processor.places != PLACES:
            yield f"Stands on: {', '.join(f'`{place}`' for place in processor.places)}.\n"


def _section(path: KeyPath, title: str, schemas: Schemas) -> Iterator[str]:
    """A heading, what the section is, and one row a key."""
    (section,) = (schema for schema in schemas.at(path) if "properties" in schema)
    yield f"### {title}\n"
    yield f"{' '.join(section['description'].split())}\n"
    if not section["properties"]:
        return
    yield "| key | what it does | allowed | default | typical |"
    yield "|---|---|---|---|---|"
    for key, entry in section["properties"].items():
        needed = key in section.get("required", ()) or (key in _NEEDED and not path)
        yield _row(key, (*path, key), entry, needed, schemas)
    yield ""


def _row(key: str, path: KeyPath, entry: Schema, needed: bool, schemas: Schemas) -> str:
    (first, *_) = schemas.at(path)
    what = entry.get("description") or first.get("description", "")
    default = "needed" if needed else f"`{flow(entry['default'])}`" if "default" in entry else ""
    if key in TABLES or "properties" in first:
        allowed = "see below" if schemas.keys(path) or schemas.keys((*path, _NAME)) else schemas.allowed(path)
    else:
        allowed = schemas.allowed(path)
    typical = "`" + flow(entry["examples"][0]) + "`" if entry.get("examples") else ""
    cells = (f"`{key}`", what, allowed, default, typical)
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _messages() -> Iterator[str]:
    for stage, slugs in STAGES.items():
        yield f"### {stage.capitalize()}\n"
        yield "| message | what to do |"
        yield "|---|---|"
        yield from (f"| `{slug}` | {remedy} |" for slug, remedy in slugs.items())
        yield ""


def flow(value: Any) -> str:
    """A plain value in YAML's flow style."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {flow(child)}" for key, child in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(flow, value)) + "]"
    if isinstance(value, str) and not value.replace("_", "").replace(" ", "").isalnum():
        return f'"{value}"'
    return spoken(value)


def main(arguments: Sequence[str]) -> int:
    """Write or check the generated files; 1 where one is not current, 2 for wrong usage."""
    if list(arguments) not in (["--write"], ["--check"]):
        sys.stderr.write("usage: python -m premix.recipe.reference --write | --check\n")
        return 2
    stale = []
    for name, text in (("premix.schema.json", schema_text()), ("README.md", reference())):
        path = FOLDER / name
        if arguments[0] == "--write":
            path.write_text(text, encoding="utf-8")
        elif not path.exists() or path.read_text(encoding="utf-8") != text:
            stale.append(name)
    for name in stale:
        sys.stderr.write(f"recipes/{name} is not current: run python -m premix.recipe.reference --write\n")
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
