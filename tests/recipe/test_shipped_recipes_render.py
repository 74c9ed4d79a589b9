"""Every recipe that is shipped renders as it stands, and leaves the files that its comments promise."""

from pathlib import Path

import pytest

from premix.cli.main import run
from premix.demo.session import write_demo
from premix.recipe.read import read_recipe
from tests.rigs.sessions import decided, parts_of

RECIPES = sorted((Path(__file__).parents[2] / "recipes").glob("*.yaml"))


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The whole demo session, as short as it can be."""
    folder = tmp_path_factory.mktemp("session") / "tracks"
    write_demo(folder, seconds=3.0)
    return folder


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda path: path.stem)
def test_it_renders_inside_its_limits(recipe: Path, session: Path, tmp_path: Path) -> None:
    """Exit 0: nothing refused, no limit broken; every performance of the recipe has its stem."""
    out = tmp_path / "out"
    assert run(["render", str(recipe), str(session), "--out", str(out), "--no-report"]) == 0
    merged = read_recipe(recipe).recipe
    stems = {part["performance"] for part in parts_of(out).values() if part["kind"] == "stem"}
    assert stems == set(merged.performances)
    rooms = any(part["kind"] == "room" for part in parts_of(out).values())
    assert rooms == ("room" in merged.mics and "rooms" in merged.deliver.files)
    assert all(entry["origin"] != "refused" for entry in decided(out).values())


def test_the_ci_recipe_repeats_an_approved_sheet(session: Path, tmp_path: Path) -> None:
    """The two commands in its head: align --save, then render --alignment, inside the limits."""
    recipe = next(path for path in RECIPES if path.name == "ci.yaml")
    sheet, out = tmp_path / "sheet.yaml", tmp_path / "out"
    assert run(["align", str(recipe), str(session), "--save", str(sheet)]) == 0
    arguments = ["render", str(recipe), str(session), "--out", str(out), "--alignment", str(sheet), "--no-report"]
    assert run(arguments) == 0
    assert {d["origin"] for d in decided(out).values()} <= {"sheet", "recipe"}
