"""The JSON Schema of a chain's steps, read off the table of processors."""

import copy
from functools import cache
from typing import Any

from premix.chain.processor import PLACES, Place
from premix.chain.table import PROCESSORS

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
