"""What people are told is one line of bounded length, whatever a file or folder is called."""

from pathlib import Path

import numpy as np
import pytest

from premix.cli.main import run
from premix.errors import LONGEST_LINE, Problem, one_line
from tests.rigs.sessions import DEMO_RECIPE, write_recipe, write_track


def test_control_characters_of_names_never_reach_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A song whose folder and files would colour, clear and ring a terminal: every line is printable."""
    rng = np.random.default_rng(1)
    folder = tmp_path / "red\x1b[31m\x07song"
    for side in ("left_a", "right_a"):
        for mic in ("dynamic", "condenser", "ribbon", "sub", "room"):
            write_track(folder / f"{side}_{mic}.wav", 0.1 * rng.standard_normal(48000))
    write_track(folder / "clear\x1b[2J.wav", 0.1 * rng.standard_normal(4800))
    recipe = write_recipe(tmp_path, DEMO_RECIPE)
    for arguments in (["inspect", str(recipe), str(folder)], ["draft", str(folder), "--save", str(folder / "r.yaml")]):
        run(arguments)
        out, err = capsys.readouterr()
        assert err and all(line.isprintable() for line in (*out.splitlines(), *err.splitlines()))


def test_a_long_name_leaves_a_line_of_its_message() -> None:
    """Of 100 kB the middle is left out; where it stands and the slug are kept."""
    line = Problem("track-not-found", "left/dynamic", "x" * 100_000).line()
    assert len(line) < LONGEST_LINE + 50 and line.startswith("left/dynamic: x") and line.endswith("[track-not-found]")
    assert "characters more" in line and one_line("x" * LONGEST_LINE) == "x" * LONGEST_LINE
