"""The short demo session, made once for all tests, and its render."""

from dataclasses import dataclass
from pathlib import Path

import pytest

from premix.demo.session import DemoTruth, write_demo
from premix.pipeline import Outcome, render
from tests.outside_tools import pytest_collection_modifyitems, pytest_report_collectionfinish  # noqa: F401
from tests.rigs.sessions import DEMO_RECIPE, Song, write_recipe

DEMO_SECONDS = 6.0


@dataclass(frozen=True)
class Demo:
    """Two performances of five mics (read only), the recipe for them, and what is true of them."""

    song: Song
    truth: DemoTruth


@dataclass(frozen=True)
class RenderedDemo:
    """The demo's render, 24 bits: where it is (read only), and what the run gave."""

    out: Path
    outcome: Outcome


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """One left and one right performance of the demo session."""
    top = tmp_path_factory.mktemp("demo")
    truth = write_demo(top / "tracks", seconds=DEMO_SECONDS, performances=("left_a", "right_a"))
    return Demo(Song(write_recipe(top, DEMO_RECIPE), top / "tracks"), truth)


@pytest.fixture(scope="session")
def rendered_demo(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> RenderedDemo:
    """The demo, rendered once."""
    out = tmp_path_factory.mktemp("rendered_demo") / "out"
    return RenderedDemo(out, render(demo.song.recipe, demo.song.tracks, out))
