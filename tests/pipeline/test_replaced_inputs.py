"""A track that is replaced while its song is rendered: noticed by the hash of its samples, and nothing is delivered."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from premix.arrays import FloatArray
from premix.cli.main import run
from premix.pipeline import Progress, compare
from tests.rigs.sessions import Song, riff, tree, write_song, write_track

RECIPE = """\
format: 1
song: Replaced
mics: {dynamic: {}, ribbon: {}}
performances: {left: {bus: left}}
variants: {alone: {mics: {ribbon: {mute: true}}}}
"""
FRAMES = 96000


@pytest.fixture
def song(tmp_path: Path) -> Song:
    """Two mics, with an earlier render in OUT."""
    take = riff(1, FRAMES)
    made = write_song(tmp_path / "song", RECIPE, {"left_dynamic": take, "left_ribbon": 0.5 * take})
    assert run(["render", str(made.recipe), str(made.tracks), "--out", str(made.out()), "--no-report"]) == 0
    return made


Render = Callable[[Song, Progress], tuple[int, str]]
"""`premix render` with a progress of one's own: exit code and standard error."""


def replacing(song: Song, replacement: FloatArray, step: str) -> Progress:
    """A progress that puts another file in a track's place once a step begins."""

    class Replacing(Progress):
        def begin(self, named: str, samples: int) -> None:
            if named.startswith(step):
                other = write_track(song.recipe.parent / "other.wav", replacement)
                os.utime(other, ns=(1, 1))  # another time of change, however coarse the file system's clock
                other.replace(song.tracks / "left_ribbon.wav")

    return Replacing()


@pytest.fixture
def render(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Render:
    """`premix render` with a progress of one's own: exit code and standard error."""

    def call(song: Song, progress: Progress) -> tuple[int, str]:
        monkeypatch.setattr("premix.cli.show.BarProgress", lambda: _Ended(progress))
        code = run(["render", str(song.recipe), str(song.tracks), "--out", str(song.out()), "--no-report", "--fresh"])
        return code, capsys.readouterr().err

    return call


class _Ended:
    """A progress with the end that a bar has."""

    def __init__(self, progress: Progress) -> None:
        self.begin, self.advance = progress.begin, progress.advance

    def end(self) -> None:
        """Nothing to draw."""


def test_another_take_of_the_same_length_is_noticed(song: Song, render: Render) -> None:
    """After the analysis, before the mixdown: exit 1, the track named, the earlier OUT as it was."""
    before = tree(song.out())
    code, told = render(song, replacing(song, 0.5 * riff(2, FRAMES), "rendering"))
    assert code == 1
    (line,) = told.splitlines()
    assert line.startswith("left/ribbon: left_ribbon.wav was changed or removed while premix was reading it")
    assert line.endswith("[changed-file]")
    assert tree(song.out()) == before
    assert sorted(p.name for p in song.recipe.parent.iterdir()) == ["out", "recipe.yaml", "tracks"]


def test_the_same_samples_in_another_file_are_no_change(song: Song, render: Render) -> None:
    """Copied back from a backup in the middle of the work: the hash says that nothing happened."""
    before = (song.tracks / "left_ribbon.wav").read_bytes()
    code, _ = render(song, replacing(song, 0.5 * riff(1, FRAMES), "rendering"))
    assert (song.tracks / "left_ribbon.wav").read_bytes() == before
    assert code == 0


def test_a_comparison_notices_too(song: Song) -> None:
    """Between two variants; one that heard the old take and one that heard the new are no comparison."""
    shutil.rmtree(song.out())
    with pytest.raises(Exception, match="changed-file"):
        compare(
            song.recipe, song.tracks, song.out(), report=False, progress=replacing(song, riff(2, FRAMES), "rendering")
        )
    assert not song.out().exists()
