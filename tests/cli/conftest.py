"""The command line, run in this process, on a short song of its own."""

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from premix.cli.main import run
from tests.rigs.sessions import Song, riff, write_song

RATE = 48000
RECIPE = """\
format: 1
song: Command
mics:
  dynamic: {}
  ribbon: {gain_db: -3}
  room: {role: room, gain_db: -6}
performances:
  left: {bus: left}
"""


@dataclass(frozen=True)
class Said:
    """What a command left: exit code, standard output, standard error."""

    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[str]:
        return self.err.splitlines()


Premix = Callable[..., Said]


@pytest.fixture
def premix(capsys: pytest.CaptureFixture[str]) -> Premix:
    """Run `premix ARGUMENTS...` and give what it said."""

    def call(*arguments: object) -> Said:
        capsys.readouterr()
        code = run([str(argument) for argument in arguments])
        return Said(code, *capsys.readouterr())

    return call


@pytest.fixture(scope="session")
def rendered_song(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Two seconds of one performance, two close mics and a room mic, with an earlier render in OUT (read only)."""
    take = riff(1, 2 * RATE)
    late = np.concatenate([np.zeros(20), take[:-20]])
    tracks = {"left_dynamic": take, "left_ribbon": -0.8 * late, "left_room": 0.3 * np.roll(take, 400)}
    song = write_song(tmp_path_factory.mktemp("command"), RECIPE, tracks, RATE)
    assert run(["render", str(song.recipe), str(song.tracks), "--out", str(song.out()), "--no-report"]) == 0
    return song


@pytest.fixture
def song(rendered_song: Song, tmp_path: Path) -> Song:
    """A copy of the song, its render included, to be spoilt."""
    shutil.copytree(rendered_song.recipe.parent, tmp_path / "song")
    return Song(tmp_path / "song" / "recipe.yaml", tmp_path / "song" / "tracks")
