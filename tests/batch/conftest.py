"""Songs with sound, made once for all tests of the batch."""

import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from premix.demo.session import write_demo

MakeSongs = Callable[..., list[str]]


@pytest.fixture(scope="session")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Callable[[float], Path]:
    """Gives the folder of a demo session by its length in seconds; copy it, and leave it as it is."""

    @cache
    def record(seconds: float) -> Path:
        folder = tmp_path_factory.mktemp("recorded") / "session"
        write_demo(folder, seconds=seconds, performances=("left_a", "right_a"))
        (folder / "song.yaml").unlink()  # a song of the batch is called by its folder
        return folder

    return record


@pytest.fixture
def make_songs(recorded: Callable[[float], Path], tmp_path: Path) -> MakeSongs:
    """Puts songs with sound into tmp_path / 'album', and gives their paths as the command takes them."""

    def make(*names: str, seconds: float = 3.0) -> list[str]:
        for name in names:
            shutil.copytree(recorded(seconds), tmp_path / "album" / name)
        return [str(tmp_path / "album" / name) for name in names]

    return make
