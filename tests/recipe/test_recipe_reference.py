"""The recipe reference, the JSON Schema and the shipped recipes: current, complete and readable."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from premix.messages import REMEDIES
from premix.recipe.read import read_recipe
from premix.recipe.record import Recipe
from premix.recipe.reference import FOLDER, flow, main, reference, schema_text
from premix.recipe.resolve import song_of
from premix.recipe.schema import recipe_schema
from premix.tracks.find import find_tracks

from .recipe_files import BASE, read, write

RECIPES = sorted(FOLDER.glob("*.yaml"))
DEMO_STEMS = FOLDER.parent / "demo_stems"


def test_the_generated_files_are_current() -> None:
    """recipes/README.md and the schema beside it are what the program makes now."""
    assert (FOLDER / "README.md").read_text(encoding="utf-8") == reference()
    assert (FOLDER / "premix.schema.json").read_text(encoding="utf-8") == schema_text()
    assert main(["--check"]) == 0


def test_a_stale_reference_is_found_and_mended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """--check tells a stale file by its exit code; --write makes it current."""
    monkeypatch.setattr("premix.recipe.reference.FOLDER", tmp_path)
    assert main(["--check"]) == 1
    assert main(["--write"]) == 0
    assert main(["--check"]) == 0
    assert main([]) == 2


def entries(schema: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every key of the schema, with its section."""
    sections = {"": schema, **schema["$defs"]}
    for name, section in sections.items():
        for key, entry in section.get("properties", {}).items():
            yield f"{name}.{key}", entry


def described(entry: dict[str, Any], schema: dict[str, Any]) -> bool:
    """Whether a key says what it does, itself or through the section it refers to."""
    section = schema["$defs"].get(entry.get("$ref", "").rpartition("/")[2], {})
    return bool(entry.get("description") or section.get("description"))


def test_every_key_is_described_with_an_example() -> None:
    """Descriptions for all, examples for all that are no section of their own."""
    schema = recipe_schema()
    assert [name for name, entry in entries(schema) if not described(entry, schema)] == []
    assert [name for name, entry in entries(schema) if "$ref" not in entry and not entry.get("examples")] == []


def test_every_example_is_read(tmp_path: Path) -> None:
    """An example that the reference shows at a key of a section is accepted there."""
    schema = recipe_schema()
    homes = {"Tracks": "tracks", "AlignmentSettings": "alignment", "Gate": "gate", "GuitarBus": "guitar_bus",
             "Deliver": "deliver", "Limits": "limits"}  # fmt: skip
    for name, entry in entries(schema):
        section, key = name.split(".")
        if section in homes and key != "chain":
            for example in entry["examples"]:
                text = BASE.replace("{dynamic: {}", "{dynamic: {}, ribbon: {}")
                assert read(tmp_path, text + f"{homes[section]}: {{{key}: {flow(example)}}}\n")


def test_every_key_refuses_what_it_does_not_know() -> None:
    """Each section of the schema is closed, so that editors underline typos."""
    schema = recipe_schema()
    sections = [schema, *(s for s in schema["$defs"].values() if "properties" in s)]
    assert all(section["additionalProperties"] is False for section in sections)


def test_the_reference_names_every_key_and_message() -> None:
    """No key of the recipe and no slug of any stage is left out."""
    text = reference()
    keys = {name.split(".")[1] for name, _ in entries(recipe_schema())}
    assert [key for key in keys if f"`{key}`" not in text and key not in ("ms", "samples", "cm")] == []
    assert [slug for slug in REMEDIES if f"| `{slug}` |" not in text] == []


def test_the_schema_text_is_json_and_a_fresh_copy() -> None:
    """The schema is plain JSON; a caller that changes it changes nobody else's."""
    schema = json.loads(schema_text())
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    recipe_schema()["properties"].clear()
    assert recipe_schema() == schema


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.stem)
def test_a_shipped_recipe_fits_its_demo_session(path: Path, sessions: dict[str, Path]) -> None:
    """It is valid, points editors at the schema, says what it is, and finds a file for every track.

    A recipe that is called as a rig of the demo fits that session, all others the usual one.
    """
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0] == "# yaml-language-server: $schema=premix.schema.json"
    assert lines[1].startswith("# ")
    merged = read_recipe(path)
    tracks, _ = find_tracks(song_of(merged), sessions.get(path.stem, DEMO_STEMS))
    assert len(tracks) == len(merged.recipe.mics) * len(merged.recipe.performances)


def test_the_minimal_recipe_is_minimal() -> None:
    """Under 12 lines."""
    assert len((FOLDER / "minimal.yaml").read_text().splitlines()) < 12


def as_written(value: Any) -> Any:
    """A record's data with each step of a chain as a recipe writes it: its kind, with its parameters."""
    if isinstance(value, list):
        return [as_written(entry) for entry in value]
    if not isinstance(value, dict):
        return value
    if set(value) == {"kind", "params"}:
        return {value["kind"]: value["params"]}
    return {key: as_written(entry) for key, entry in value.items()}


@pytest.mark.parametrize("path", RECIPES, ids=lambda path: path.stem)
def test_a_recipe_survives_being_written_down_and_read_again(path: Path, tmp_path: Path) -> None:
    """The record as YAML (JSON is YAML) reads as the same record."""
    recipe = read_recipe(path).recipe
    text = json.dumps(as_written(recipe.model_dump(mode="json", exclude_none=True)))
    again = read_recipe(write(tmp_path, text)).recipe
    assert again == recipe
    assert isinstance(again, Recipe)
