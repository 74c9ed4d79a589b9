"""The JSON Schema (draft 2020-12) of a recipe file, for editors, for the messages and for the reference.

It is the schema of the `Recipe` record, turned into what the YAML may say: `extends`, a chain's steps as
one-key mappings (read off the table of processors), and `null` where an inherited entry may be taken away.
"""

import copy
from functools import cache
from typing import Any

from premix.processors.base import PLACES, Place
from premix.processors.chains import PROCESSORS
from premix.recipe.record import Recipe

Schema = dict[str, Any]
TABLES = ("mics", "performances", "buses", "groups", "variants")
"""Mappings from a name of the user's to a section."""
CHAINS: dict[str, tuple[str, Place]] = {
    "mics": ("Mic", "mic"),
    "groups": ("Group", "mic"),
    "performances": ("Performance", "performance"),
    "buses": ("Bus", "bus"),
    "guitar_bus": ("GuitarBus", "guitar_bus"),
}
"""Key of the recipe below which a chain stands -> the section that has it, and its place."""
_EXTENDS = {
    "description": "Another recipe that this one is laid over: a path from this file's folder. "
    "Mappings merge key by key, null takes an inherited value away, all else is replaced whole.",
    "examples": ["house.yaml"],
    "minLength": 1,
    "type": "string",
}


def recipe_schema() -> Schema:
    """A fresh copy of the JSON Schema of a recipe file."""
    return copy.deepcopy(_schema())


@cache
def _schema() -> Schema:
    made = Recipe.model_json_schema()
    sections = made["$defs"]
    del sections["ChainStep"]
    for section, place in CHAINS.values():
        sections[section]["properties"]["chain"]["items"] = {"$ref": f"#/$defs/ChainStep_{place}"}
    for one_of in ("DelayByHand", "WidthLimit"):
        sections[one_of] |= {"minProperties": 1, "maxProperties": 1}
    for section in (*sections.values(), made):
        _tidy(section)
    sections.update({f"Processor_{kind}": parameters(kind) for kind in PROCESSORS})
    sections.update({f"ChainStep_{place}": _step(place) for place in PLACES})
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "urn:premix:recipe:1",
        "title": "premix recipe, format 1",
        "description": made["description"],
        "type": "object",
        "additionalProperties": False,
        "properties": {"format": made["properties"].pop("format"), "extends": _EXTENDS} | made["properties"],
        "required": ["format"],
        "anyOf": [{"required": ["extends"]}, {"required": ["mics", "performances"]}],
        "$defs": sections,
    }


def _tidy(section: Schema) -> None:
    """Drop made-up titles and empty defaults; let an entry of a table be null."""
    for entry in section.get("properties", {}).values():
        entry.pop("title", None)
        if entry.get("default", 0) is None:
            del entry["default"]
        for pattern, below in entry.get("patternProperties", {}).items():
            entry["patternProperties"][pattern] = {"anyOf": [below, {"type": "null"}]}
            entry["additionalProperties"] = False


def _step(place: Place) -> Schema:
    """The section of one step of a place's chains."""
    kinds = kinds_at(place)
    bare = [kind for kind in kinds if not parameters(kind).get("required")]
    entries: dict[str, Schema] = {kind: {"$ref": f"#/$defs/Processor_{kind}"} for kind in kinds}
    entries |= {kind: {"anyOf": [entries[kind], {"type": "null"}]} for kind in bare}
    return {
        "description": "One processor: its name with its parameters, or its name alone where it needs none.",
        "examples": ["polarity", {"high_pass": {"cutoff_hz": 80}}],
        "anyOf": [
            {"enum": bare, "type": "string"},
            {
                "type": "object",
                "minProperties": 1,
                "maxProperties": 1,
                "additionalProperties": False,
                "properties": entries,
            },
        ],
    }


def kinds_at(place: Place) -> list[str]:
    """Names of the processors that may stand at a place."""
    return [kind for kind, processor in PROCESSORS.items() if place in processor.places]


@cache
def parameters(kind: str) -> Schema:
    """The schema of one processor's parameters, those that are needed first."""
    schema = PROCESSORS[kind].model_json_schema()
    schema.pop("title", None)
    needed = schema.get("required", ())
    schema["properties"] = dict(sorted(schema["properties"].items(), key=lambda entry: entry[0] not in needed))
    _tidy(schema)
    return schema
