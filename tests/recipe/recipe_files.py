"""Writing recipes for the tests of the recipe room, and reading back what is said about them."""

from pathlib import Path

import pytest

from premix.errors import RecipeError
from premix.recipe.read import read_recipe
from premix.recipe.record import MergedRecipe

BASE = "format: 1\nmics: {dynamic: {}, room: {role: room}}\nperformances: {left: {bus: left}}\n"
"""Three lines that make a recipe; a test's own lines follow from line 4 on."""


def write(folder: Path, text: str | bytes, name: str = "recipe.yaml") -> Path:
    """A file with this text."""
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def read(folder: Path, text: str, **options: object) -> MergedRecipe:
    """The recipe of a text."""
    return read_recipe(write(folder, text), **options)  # type: ignore[arg-type]


def said(folder: Path, text: str | bytes, **options: object) -> list[str]:
    """The problems of a text, one line each, without the folder's path."""
    path = write(folder, text)
    with pytest.raises(RecipeError) as caught:
        read_recipe(path, **options)  # type: ignore[arg-type]
    return [problem.line().replace(f"{folder}/", "") for problem in caught.value.problems]


def slugs(lines: list[str]) -> list[str]:
    """The slugs at the ends of problem lines."""
    return [line.rpartition("[")[2].rstrip("]") for line in lines]
