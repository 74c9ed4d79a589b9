"""`premix batch --match` is kept by the next batch: the album's loudness lies in OUT, is shown, and can be cleared."""

import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from premix.batch import engines
from premix.batch.album import LEVELS
from premix.cli.main import run
from tests.batch.conftest import MakeSongs
from tests.batch.sessions import house_recipe
from tests.batch.test_batch_render import loudness

Batch = tuple[int, list[str]]


@pytest.fixture
def album(tmp_path: Path, make_songs: MakeSongs, monkeypatch: pytest.MonkeyPatch) -> Path:
    """OUT of two songs that were matched to the soft one's loudness."""
    monkeypatch.setattr(engines, "processes", lambda go, workers: ThreadPoolExecutor(1))  # no process to start
    house_recipe(tmp_path)
    make_songs("loud", "soft")
    (tmp_path / "album" / "soft" / "song.yaml").write_text("guitar_bus: {gain_db: -6}\n")
    return tmp_path


def batch(folder: Path, capsys: pytest.CaptureFixture[str], *options: str) -> Batch:
    """Exit code and the lines on standard error of a batch of all songs in `folder`."""
    left = ("--set", "performances.right_a=null", "--set", "deliver.files=[guitar_bus]", "--no-report")
    words = ["batch", str(folder / "house.yaml"), str(folder / "album"), "--out", str(folder / "out"), *left, *options]
    code = run(words)
    return code, capsys.readouterr().err.splitlines()


def statuses(lines: list[str]) -> dict[str, str]:
    """Song -> what became of it."""
    told = (line.partition("] ")[2] for line in lines if line.startswith("["))
    return {line.partition(":")[0]: line.partition(": ")[2].partition(",")[0] for line in told}


def test_the_next_batch_keeps_what_was_matched(
    album: Path, capsys: pytest.CaptureFixture[str], make_songs: MakeSongs
) -> None:
    """Without --match nothing comes back to its own level; a new song comes down to the album; none clears it."""
    code, lines = batch(album, capsys, "--match", "loudness")
    assert code == 0
    matched = loudness(album / "out")
    assert matched["loud"] == pytest.approx(matched["soft"], abs=0.0051)
    kept = json.loads((album / "out" / LEVELS).read_text("utf-8"))
    assert kept["target_lufs"] == matched["soft"] and set(kept["trims_db"]) == {"loud", "soft"}

    code, lines = batch(album, capsys)
    assert (code, statuses(lines)) == (0, {"loud": "unchanged", "soft": "unchanged"})
    assert any(LEVELS in line and "--match none" in line and f"{matched['soft']:.2f} LUFS" in line for line in lines)
    assert loudness(album / "out") == matched

    make_songs("new")
    batch(album, capsys)
    assert loudness(album / "out")["new"] == pytest.approx(matched["soft"], abs=0.0051)
    assert set(json.loads((album / "out" / LEVELS).read_text("utf-8"))["trims_db"]) == {"loud", "new", "soft"}

    code, lines = batch(album, capsys, "--match", "none")
    assert code == 0 and not (album / "out" / LEVELS).exists()
    assert loudness(album / "out")["loud"] > matched["loud"] + 3.0
    assert statuses(batch(album, capsys)[1]) == dict.fromkeys(("loud", "new", "soft"), "unchanged")


def test_a_song_below_the_album_is_told_and_stays(album: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is turned up: a mix that became softer than the album keeps its level, with a warning."""
    batch(album, capsys, "--match", "loudness")
    matched = loudness(album / "out")
    (album / "album" / "soft" / "song.yaml").write_text("guitar_bus: {gain_db: -9}\n")
    code, lines = batch(album, capsys)
    assert code == 0
    assert [line for line in lines if "[batch-below-album]" in line and "soft" in line and "3.00 dB softer" in line]
    assert loudness(album / "out")["soft"] == pytest.approx(matched["soft"] - 3.0, abs=0.01)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"target_lufs": "loud"}', '{"target_lufs": true}', "\x00"])
def test_levels_that_cannot_be_read_stop_the_batch(album: Path, capsys: pytest.CaptureFixture[str], text: str) -> None:
    """Before anything is rendered: one line, exit 1; both ways out work."""
    (album / "out").mkdir()
    (album / "out" / LEVELS).write_text(text)
    code, lines = batch(album, capsys)
    assert code == 1 and [line.endswith("[batch-levels]") for line in lines] == [True]
    assert sorted(path.name for path in (album / "out").iterdir()) == [LEVELS]
