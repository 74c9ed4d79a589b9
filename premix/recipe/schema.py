"""The JSON Schema (draft 2020-12) of a recipe file, for editors, for the messages and for the reference.

It is the schema of the `Recipe` record, turned into what the YAML may say: `extends`, a chain's steps as
one-key mappings, and `null` where an inherited entry may be taken away.
"""

import copy
from functools import cache
from typing import Any

from premix.model.recipe import Recipe
from premix.recipe.step_schema import PLACE_OF_SECTION, step_section, step_sections

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
