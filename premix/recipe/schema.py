"""The JSON Schema of a chain's steps, read off the table of processors.

The JSON Schema (draft 2020-12) of a recipe file, for editors, for the messages and for the reference.

It is the schema of the `Recipe` record, turned into what the YAML may say: `extends`, a chain's steps as
one-key mappings, and `null` where an inherited entry may be taken away.
"""

import copy
from functools import cache
from typing import Any

from premix.model.recipe import Recipe
from premix.processors.base import PLACES, Place
from premix.processors.table import PROCESSORS

Schema = dict[str, Any]
PLACE_OF_SECTION: dict[str, Place] = {
    "Mic": "mic", "Group": "mic", "Performance": "performance", "Bus": "bus", "GuitarBus": "guitar_bus",
}  # fmt: skip
"""Section that has a chain -> the place that the chain stands at."""
PLACE_OF_KEY: dict[str, Place] = {
    "mics": "mic", "groups": "mic", "performances": "performance", "buses": "bus", "guitar_bus": "guitar_bus",
}  # fmt: skip
"""Key of the recipe below which a chain stands -> its place."""


def step_sections() -> dict[str, Schema]:
    """Sections for the recipe's schema: one a processor, and one for the steps of each place."""
    sections: dict[str, Schema] = {_section(kind): copy.deepcopy(parameters(kind)) for kind in PROCESSORS}
    for place in PLACES:
        kinds = kinds_at(place)
        bare = [kind for kind in kinds if not parameters(kind).get("required")]
        sections[step_section(place)] = {
            "description": "One processor: its name with its parameters, or its name alone where it needs none.",
            "examples": ["polarity", {"high_pass": {"cutoff_hz": 80}}],
            "anyOf": [
                {"enum": bare, "type": "string"},
                {
                    "type": "object",
                    "minProperties": 1,
                    "maxProperties": 1,
                    "additionalProperties": False,
                    "properties": {kind: _entry(kind, kind in bare) for kind in kinds},
                },
            ],
        }
    return sections


def step_section(place: Place) -> str:
    """Name of the section of a place's steps."""
    return f"ChainStep_{place}"


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
    for entry in schema["properties"].values():
        entry.pop("title", None)
        if entry.get("default", 0) is None:
            del entry["default"]
    return schema


def _section(kind: str) -> str:
    return f"Processor_{kind}"


def _entry(kind: str, bare: bool) -> Schema:
    reference = {"$ref": f"#/$defs/{_section(kind)}"}
    return {"anyOf": [reference, {"type": "null"}]} if bare else reference


SCHEMA_ID = "urn:premix:recipe:1"
TABLES = ("mics", "performances", "buses", "groups", "variants")
"""Mappings from a name of the user's to a section."""

_EXTENDS = {
    "description": "Another recipe that this one is laid over: a path from this file's folder. "
    "Mappings merge key by key, null takes an inherited value away, all else is replaced whole.",
    "examples": ["house.yaml"],
    "minLength": 1,
    "type": "string",
}


def recipe_schema() -> dict[str, Any]:
    """A fresh copy of the JSON Schema of a recipe file."""
    return copy.deepcopy(_schema())


@cache
def _schema() -> dict[str, Any]:
    made = Recipe.model_json_schema()
    sections = made["$defs"]
    del sections["ChainStep"]
    for name, place in PLACE_OF_SECTION.items():
        sections[name]["properties"]["chain"]["items"] = {"$ref": f"#/$defs/{step_section(place)}"}
    sections["DelayByHand"] |= {"minProperties": 1, "maxProperties": 1}
    for section in (*sections.values(), made):
        for entry in section.get("properties", {}).values():
            _tidy(entry)
    sections.update(step_sections())
    properties = {"format": made["properties"].pop("format"), "extends": copy.deepcopy(_EXTENDS)} | made["properties"]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA_ID,
        "title": "premix recipe, format 1",
        "description": made["description"],
        "type": "object",
        "additionalProperties": False,
        "properties": properties,
        "required": ["format"],
        "anyOf": [{"required": ["extends"]}, {"required": ["mics", "performances"]}],
        "$defs": sections,
    }


def _tidy(entry: dict[str, Any]) -> None:
    """Drop made-up titles and empty defaults; let an entry of a table be null."""
    entry.pop("title", None)
    if entry.get("default", 0) is None:
        del entry["default"]
    for pattern, section in entry.get("patternProperties", {}).items():
        entry["patternProperties"][pattern] = {"anyOf": [section, {"type": "null"}]}
        entry["additionalProperties"] = False
