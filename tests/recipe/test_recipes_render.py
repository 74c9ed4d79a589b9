"""Every shipped recipe renders as it stands; any recipe that validates renders, or stops with a documented message."""

import json
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from premix.cli.main import run
from premix.demo.session import write_demo
from premix.errors import RecipeError, UserError
from premix.messages import REMEDIES
from premix.pipeline import render
from premix.recipe.read import read_recipe
from premix.recipe.reference import FOLDER
from tests.rigs.sessions import decided, parts_of

SHIPPED = sorted(FOLDER.glob("*.yaml"))
EXAMPLES = 10
"""About a second of work each; drawn the same in every run."""
GAINS = st.sampled_from([-120, -12, -3.5, 0, 6, 40])


@pytest.fixture(scope="module")
def whole_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The whole demo session, as short as it can be."""
    folder = tmp_path_factory.mktemp("whole") / "tracks"
    write_demo(folder, seconds=3.0)
    return folder


@pytest.mark.parametrize("recipe", SHIPPED, ids=lambda path: path.stem)
def test_it_renders_inside_its_limits(
    recipe: Path, whole_session: Path, sessions: dict[str, Path], tmp_path: Path
) -> None:
    """Exit 0: nothing refused, no limit broken; every performance of the recipe has its stem."""
    out, tracks = tmp_path / "out", sessions.get(recipe.stem, whole_session)
    assert run(["render", str(recipe), str(tracks), "--out", str(out), "--no-report"]) == 0
    merged = read_recipe(recipe).recipe
    stems = {part["performance"] for part in parts_of(out).values() if part["kind"] == "stem"}
    assert stems == set(merged.performances)
    rooms = any(part["kind"] == "room" for part in parts_of(out).values())
    assert rooms == (any(mic.role == "room" for mic in merged.mics.values()) and "rooms" in merged.deliver.files)
    assert all(entry["origin"] != "refused" for entry in decided(out).values())


def test_the_ci_recipe_repeats_an_approved_sheet(whole_session: Path, tmp_path: Path) -> None:
    """The two commands in its head: align --save, then render --alignment, inside the limits."""
    recipe = next(path for path in SHIPPED if path.name == "ci.yaml")
    sheet, out = tmp_path / "sheet.yaml", tmp_path / "out"
    assert run(["align", str(recipe), str(whole_session), "--save", str(sheet)]) == 0
    arguments = ["render", str(recipe), str(whole_session), "--out", str(out), "--alignment", str(sheet), "--no-report"]
    assert run(arguments) == 0
    assert {d["origin"] for d in decided(out).values()} <= {"sheet", "recipe"}


def some(**values: st.SearchStrategy[Any]) -> st.SearchStrategy[dict[str, Any]]:
    """A mapping with any of the keys."""
    return st.fixed_dictionaries({}, optional=values)


def mic(role: str) -> st.SearchStrategy[dict[str, Any]]:
    """A mic's settings, the extremes of their ranges among them."""
    delays = st.sampled_from(["auto", "none", {"ms": 0.35}, {"samples": -16.8}, {"cm": 12}, {"ms": 2000}])
    return some(
        gain_db=GAINS,
        mute=st.booleans(),
        polarity=st.sampled_from(["auto", "normal", "inverted"]),
        delay=delays,
        high_pass_hz=st.sampled_from([20, 60, 30000]),
        low_pass_hz=st.sampled_from([180, 8000, 192000]),
    ).map(lambda values: {"role": role, **values})


RECIPES = st.fixed_dictionaries(
    {
        "format": st.just(1),
        "mics": st.fixed_dictionaries({"dynamic": mic("close"), "sub": mic("sub"), "room": mic("room")}),
        "performances": st.fixed_dictionaries(
            {
                name: st.fixed_dictionaries(
                    {"bus": st.sampled_from(["left", "right", "centre", "extra"])},
                    optional={"mute": st.booleans(), "gain_db": GAINS},
                )
                for name in ("left_a", "right_a")
            }
        ),
        "alignment": st.fixed_dictionaries(
            {"refused": st.sampled_from(["stop", "mute", "keep"])},
            optional={
                "search_ms": st.sampled_from([0.5, 4, 20]),
                "pool": st.booleans(),
                "rotate": st.sampled_from(["off", "auto"]),
                "changes": st.sampled_from(["follow", "tell", "stop"]),
            },
        ),
        "buses": st.just({"extra": {"pan": 0.3}}),
    },
    optional={
        "gate": some(
            mode=st.sampled_from(["gate", "follow", "off"]),
            key=st.sampled_from(["performance", "all"]),
            threshold_db=st.sampled_from(["auto", -120, -20, 0]),
            hold_ms=st.sampled_from([0, 10000]),
            attack_ms=st.sampled_from([0, 2]),
            range_db=st.sampled_from([0, 60, 140]),
            lookahead_ms=st.sampled_from([0, 200]),
        ),
        "guitar_bus": some(width=st.sampled_from([0, 1.3, 2]), pan_law_db=st.sampled_from([0, -3, -4.5, -6])),
        "deliver": some(
            room=st.sampled_from(["own", "stem", "both"]),
            bits=st.sampled_from([16, 24, 32]),
            format=st.sampled_from(["wav", "flac"]),
            rate=st.sampled_from(["keep", 44100, 96000]),
            ceiling_dbtp=st.sampled_from([-20, -1, 0]),
            files=st.lists(
                st.sampled_from(
                    [
                        "stems",
                        "rooms",
                        "rooms_ungated",
                        "buses",
                        "guitar_bus",
                        "aligned_mics",
                        "guitar_bus_without_centre",
                    ]
                ),
                min_size=1,
                max_size=7,
                unique=True,
            ),
        ),
    },
)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two performances of the demo."""
    folder = tmp_path_factory.mktemp("session") / "tracks"
    write_demo(folder, seconds=3.0, performances=("left_a", "right_a"))
    for name in ("condenser", "ribbon"):
        for path in folder.glob(f"*_{name}.wav"):
            path.unlink()
    return folder


@settings(
    max_examples=EXAMPLES,
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.function_scoped_fixture],
)
@given(recipe=RECIPES)
def test_a_valid_recipe_renders_or_stops_with_a_documented_message(session: Path, recipe: dict[str, Any]) -> None:
    """Files with a manifest, or problems whose slugs are all listed and nothing left behind; never another error."""
    with tempfile.TemporaryDirectory() as folder:
        path, out = Path(folder) / "recipe.yaml", Path(folder) / "out"
        path.write_text(json.dumps(recipe), "utf-8")
        try:
            read_recipe(path)
        except RecipeError:
            assume(False)
        try:
            render(path, session, out)
        except UserError as error:
            assert {problem.slug for problem in error.problems} <= set(REMEDIES)
            assert not out.exists()
        else:
            parts = parts_of(out)
            assert all((out / part["path"]).is_file() for part in parts.values())
