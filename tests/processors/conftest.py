"""What the tests of the chains share: the files that steps name, and the stand-in for plug-ins."""

from pathlib import Path

import pytest

from premix.model.settings import ChainStep
from premix.processors import plug_in_process
from tests.rigs.sessions import Song, riff, write_song

from .examples import STEPS, write_response
from .mixing import FRAMES, recipe

STAND_IN = "tests.processors.stand_in_plug_in"


@pytest.fixture
def stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Plug-ins are played by the stand-in."""
    monkeypatch.setattr(plug_in_process, "worker_module", lambda: STAND_IN)


@pytest.fixture(params=list(STEPS))
def any_step(request: pytest.FixtureRequest, tmp_path: Path, stand_in: None) -> ChainStep:
    """One step of every kind in the table, its files in place."""
    step = STEPS[request.param]
    write_response(tmp_path)
    (tmp_path / "effect.vst3").write_text("stand-in")
    params = {key: str(tmp_path / value) if key == "file" else value for key, value in step.params.items()}
    return ChainStep(kind=step.kind, params=params)


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Two performances of three mics, sound from the first sample on, to the last."""
    tracks = {
        f"{performance}_{mic}": riff(seed * 10 + number, FRAMES, peak=0.15)
        for seed, performance in enumerate(("left", "right"))
        for number, mic in enumerate(("dynamic", "ribbon", "room"))
    }
    return write_song(tmp_path_factory.mktemp("chains"), recipe(), tracks)
