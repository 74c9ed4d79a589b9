"""What may happen in the night: killed, interrupted, a full disk, broken songs, two batches in one place."""

import json
from pathlib import Path

import psutil
import pytest

from premix.batch.order import run_batch
from premix.errors import RecipeError
from tests.batch.command import Command, batch, verdicts
from tests.batch.conftest import MakeSongs
from tests.batch.sessions import house_recipe, left_behind


def is_whole(song: Path) -> bool:
    """Whether a song's folder holds every file that its manifest names."""
    written = json.loads((song / "manifest.json").read_text("utf-8"))["written"]
    return sorted(p.relative_to(song).as_posix() for p in song.rglob("*") if p.is_file()) == sorted(written)


def under_way(out: Path, name: str) -> bool:
    """Whether the song is being written."""
    return any((out / f".premix-new-{name}").glob("stems/*"))


@pytest.mark.parametrize("engine", [(), ("--scheduler", "local")], ids=["processes", "cluster"])
def test_a_worker_killed_in_the_middle_of_a_song_costs_nothing(
    engine: tuple[str, ...], tmp_path: Path, make_songs: MakeSongs
) -> None:
    """kill -9 while its files are being written: the song is rendered again, the others are not disturbed."""
    songs, out = make_songs("a", "b"), tmp_path / "out"
    command = Command([house_recipe(tmp_path), *songs, "--out", out, "--jobs", "2", *engine, "--json"])
    command.until(lambda: under_way(out, "a") or under_way(out, "b"))
    worker = command.workers()[0]
    worker.kill()
    code, text, error = command.end()
    assert code == 0, error
    assert verdicts(json.loads(text)) == {"a": "done", "b": "done"}
    assert is_whole(out / "a") and is_whole(out / "b") and left_behind(out) == []


def test_a_killed_batch_goes_on_where_it_was(tmp_path: Path, make_songs: MakeSongs) -> None:
    """kill -9 of the command itself: its worker leaves the song under way cleanly, and the next run skips the first."""
    songs, out = make_songs("a", "b"), tmp_path / "out"
    args: list[str | Path] = [house_recipe(tmp_path), *songs, "--out", out, "--jobs", "1"]
    command = Command(args)
    command.until(lambda: (out / "a" / "manifest.json").exists() and under_way(out, "b"))
    workers = command.workers()
    command.process.kill()
    command.end()
    _, alive = psutil.wait_procs(workers, timeout=30)
    assert alive == []
    assert is_whole(out / "a") and not (out / "b").exists()
    assert not (out / ".premix-new-b").exists()
    code, document, error = batch(*args)
    assert code == 0, error
    assert verdicts(document) == {"a": "unchanged", "b": "done"}
    assert is_whole(out / "b") and left_behind(out) == []


@pytest.mark.tools("posix")
def test_ctrl_c_keeps_what_is_finished_and_nothing_else(tmp_path: Path, make_songs: MakeSongs) -> None:
    """Sent to all processes, as a terminal does: no traceback of any of them, a summary, and exit code 130."""
    songs, out = make_songs("a", "b", "c"), tmp_path / "out"
    command = Command([house_recipe(tmp_path), *songs, "--out", out, "--jobs", "1", "--json"])
    command.until(lambda: (out / "a" / "manifest.json").exists() and under_way(out, "b"))
    command.interrupt()
    code, text, error = command.end()
    assert code == 130, error
    assert "Traceback" not in error and "the same command goes on from here" in error
    assert verdicts(json.loads(text)) == {"a": "done", "b": "not done", "c": "not done"}
    assert is_whole(out / "a") and not (out / "b").exists() and left_behind(out) == []


@pytest.mark.tools("posix")
def test_a_disk_that_gets_full_costs_only_the_songs_that_do_not_fit(tmp_path: Path, make_songs: MakeSongs) -> None:
    """Song 3 of 5 passes a file size limit (EFBIG); the songs before and after it are whole."""
    songs = [*make_songs("a", "b"), *make_songs("long", seconds=60.0), *make_songs("y", "z")]
    out = tmp_path / "out"
    limit = 12_000_000  # 24-bit stereo: 60 s are 17 MB; the kept reading pass of a short song has 8 MB
    code, document, error = batch(house_recipe(tmp_path), *songs, "--out", out, "--jobs", "1", limit_bytes=limit)
    assert code == 1
    assert verdicts(document) == {"a": "done", "b": "done", "long": "needs you", "y": "done", "z": "done"}
    assert "[disk-full]" in error or "[scratch-full]" in error  # whichever file is the first to pass the limit
    assert all(is_whole(out / name) for name in ("a", "b", "y", "z"))
    assert not (out / "long").exists() and left_behind(out) == []


def test_broken_songs_are_told_and_the_others_rendered(tmp_path: Path, make_songs: MakeSongs) -> None:
    """A song file with a typo and a missing track, each with its place and remedy; limits that hold leave no mark."""
    songs, out = make_songs("typo", "gap", "good"), tmp_path / "out"
    (tmp_path / "album" / "typo" / "song.yaml").write_text("mics: {ribon: {gain_db: 1}}\n")
    (tmp_path / "album" / "gap" / "right_a_sub.wav").unlink()
    code, document, error = batch(
        house_recipe(tmp_path), *songs, "--out", out, "--jobs", "1", "--summary-markdown", tmp_path / "summary.md"
    )
    assert code == 1
    assert verdicts(document) == {"typo": "needs you", "gap": "needs you", "good": "done"}
    assert "song.yaml:1:8" in error and "did you mean 'ribbon'" in error
    assert "right_a/sub" in error and "[track-not-found]" in error
    assert is_whole(out / "good") and not (out / "typo").exists() and not (out / "gap").exists()
    assert "1 done" in (tmp_path / "summary.md").read_text("utf-8")


def test_a_second_batch_in_the_same_place_is_refused(tmp_path: Path, make_songs: MakeSongs) -> None:
    """While the first renders, which it does not disturb; afterwards it may."""
    songs, out = make_songs("a"), tmp_path / "out"
    args: list[str | Path] = [house_recipe(tmp_path), *songs, "--out", out, "--jobs", "1"]
    first = Command([*args, "--json"])
    first.until(lambda: under_way(out, "a"))
    [worker] = first.workers()
    worker.suspend()  # so that the first is not done before the second has begun
    code, _, error = batch(*args)
    worker.resume()
    assert code == 1
    assert "[batch-out-in-use]" in error and "--out" in error
    code, text, error = first.end()
    assert code == 0, error
    assert verdicts(json.loads(text)) == {"a": "done"}
    code, document, error = batch(*args)
    assert code == 0, error
    assert verdicts(document) == {"a": "unchanged"}
    assert is_whole(out / "a") and left_behind(out) == []


def test_a_broken_house_recipe_stops_the_batch_once(tmp_path: Path, make_songs: MakeSongs) -> None:
    """Not once a song; and OUT is not even made."""
    songs = make_songs("a", "b")
    with pytest.raises(RecipeError):
        run_batch(house_recipe(tmp_path, "gatte: {}\n"), songs, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_summary_s_place_is_checked_before_the_work(tmp_path: Path) -> None:
    """A folder that does not exist is told at once."""
    code, _, error = batch(house_recipe(tmp_path), tmp_path, "--out", tmp_path / "o", "--summary-markdown", "no/x.md")
    assert code == 1
    assert "[batch-no-summary-folder]" in error and not (tmp_path / "o").exists()
