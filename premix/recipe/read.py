"""Reading a recipe: files -> layers -> merged nodes -> checked values -> a record, or every fault at once.

Reading an alignment sheet: YAML by the recipe's rules, every fault at once with its place.
"""

import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from premix.model.alignment import Sheet
from premix.model.recipe import MergedRecipe, Recipe
from premix.recipe import faults as told
from premix.recipe.chain_form import for_record, with_absolute_files
from premix.recipe.check import check
from premix.recipe.explain import Schemas, validate, validate_as
from premix.recipe.faults import Fault, Mark
from premix.recipe.layers import Layer, load_file, load_layers
from premix.recipe.merge import merge, with_standing_buses
from premix.recipe.yaml import Node, plain, positions


def read_recipe(path: Path, *, song_folder: Path | None = None, settings: Sequence[str] = ()) -> MergedRecipe:
    """The recipe at `path`, over all that it extends, under the song folder's `song.yaml` and the settings.

    settings: 'key=value' with a dotted key, the value in YAML (from --set). Raises RecipeError with every
    problem of every file, in file order.
    """
    faults: list[Fault] = []
    layers, whole = load_layers(path, song_folder, settings, faults)
    files = [layer.shown for layer in layers]
    if not whole:
        told.tell(faults, files)
    merged = merge(None, layers[0].root, faults)
    for layer in layers[1:]:
        merged = merge(merged, layer.root, faults)
    source = plain(merged)
    source.pop("extends", None)
    data = with_standing_buses(source)
    recipe = validate(for_record(data, merged, faults), merged, faults)
    faults.extend(check(data, merged))
    told.tell(faults, files)
    assert recipe is not None, "a recipe without faults is valid"
    return MergedRecipe(
        recipe=with_absolute_files(recipe, merged, path.parent),
        source=source,
        origins=_origins(merged, layers),
        sha256=_sha256(recipe),
    )


def read_yaml(path: Path) -> tuple[Any, dict[told.KeyPath, Mark]]:
    """The plain data of any other YAML file, by the recipe's rules, and where each value stands.

    Raises RecipeError with every problem of the file.
    """
    faults: list[Fault] = []
    root = load_file(path, str(path), faults)
    told.tell(faults, [str(path)])
    assert root is not None, "a file without faults has content"
    return plain(root), dict(positions(root))


def _origins(merged: Node, layers: Sequence[Layer]) -> dict[str, str]:
    """Where each value comes from: 'mics.sub.gain_db' -> 'house.yaml:7:9' or '--set'. A list is one value."""
    short = {layer.shown: layer.short for layer in layers}
    found: dict[str, str] = {}

    def walk(node: Node, path: told.KeyPath) -> None:
        if node.mapping:
            for key, child in node.mapping.items():
                walk(child, (*path, key))
            return
        name = short.get(node.mark.file, node.mark.file)
        found[told.dotted(path)] = f"{name}:{node.mark.line}:{node.mark.column}" if node.mark.line else name

    walk(merged, ())
    found.pop("extends", None)
    return found


def _sha256(recipe: Recipe) -> str:
    """Of the record as JSON in the record's own order: the order of the mics says which is the reference."""
    text = json.dumps(recipe.model_dump(mode="json"), separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def read_sheet(path: Path) -> Sheet:
    """The sheet at `path`. Raises RecipeError with every problem of the file."""
    faults: list[Fault] = []
    root = load_file(path, str(path), faults)
    told.tell(faults, [str(path)])
    assert root is not None, "a file without faults has content"
    sheet = validate_as(Sheet, plain(root, tuple), root, faults, Schemas(Sheet.model_json_schema()))
    told.tell(faults, [str(path)])
    assert sheet is not None, "a sheet without faults is valid"
    return sheet
