"""Reading an alignment sheet: YAML by the recipe's rules, every fault at once with its place."""

from pathlib import Path

from premix.model.sheet import Sheet
from premix.recipe import faults as told
from premix.recipe.allowed import Schemas
from premix.recipe.faults import Fault
from premix.recipe.layers import load_file
from premix.recipe.marks import plain
from premix.recipe.values import validate_as


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
