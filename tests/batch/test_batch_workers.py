"""Workers that are killed, raise, or are not wanted any more: in processes and on a cluster of our own."""

import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pytest

from premix.batch.engines import LOCAL, ClusterEngine, Engine, ProcessEngine
from premix.batch.pulse import Hub
from premix.batch.run import Runner, Watch, Work
from premix.batch.work import SongResult, render_song
from premix.delivery.package import Package
from tests.batch.sessions import job, left_behind, write_names
from tests.batch.works import beat_until_stopped, die_by_name, raise_by_name

ENGINES = ("processes", "cluster")


@contextmanager
def engine_of(kind: str, hub: Hub) -> Iterator[Engine]:
    if kind == "processes":
        yield ProcessEngine(2, hub.go)
    else:
        with ClusterEngine(LOCAL, 2) as cluster:
            yield cluster


def run(folder: Path, names: list[str], work: Work, kind: str, watch: Watch | None = None) -> dict[str, SongResult]:
    """The results of jobs that were run on two workers."""
    (folder / "out").mkdir(exist_ok=True)
    with Hub(folder / "out") as hub, engine_of(kind, hub) as engine:
        runner = Runner(engine, hub, watch or Watch(), work)
        try:
            runner.run([job(folder, name, hub.go) for name in names])
        except KeyboardInterrupt:
            runner.results["interrupted"] = SongResult("interrupted", "stopped")
        return runner.results


@pytest.mark.parametrize("kind", ENGINES)
def test_a_killed_worker_costs_its_own_song_at_most(tmp_path: Path, kind: str) -> None:
    """kill -9: a song that dies once is done on the second try, one that always dies is told, the rest finish."""
    names = ["a", "dies", "b", "dies once", "c"]
    results = run(tmp_path, names, die_by_name, kind)
    assert {name: result.status for name, result in results.items()} == {
        "a": "rendered",
        "dies": "lost",
        "b": "rendered",
        "dies once": "rendered",
        "c": "rendered",
    }
    [problem] = results["dies"].problems
    assert problem.slug == "batch-song-lost" and "twice" in problem.what


def test_a_song_that_is_lost_leaves_nothing_unfinished(tmp_path: Path) -> None:
    """The folder that a killed worker was writing is removed, and an earlier render is named as such."""
    package = Package(tmp_path / "out" / "dies", inputs_folder=tmp_path / "dies")
    write_names(package.folder, "half.wav")
    write_names(tmp_path / "out" / "dies", "manifest.json")
    result = run(tmp_path, ["dies"], die_by_name, "processes")["dies"]
    assert [problem.slug for problem in result.problems] == ["batch-song-lost", "batch-earlier-render"]
    assert left_behind(tmp_path / "out") == []


def test_what_work_raises_is_kept_to_its_song(tmp_path: Path) -> None:
    """Even work that breaks its promise to raise nothing."""
    results = run(tmp_path, ["a", "raises", "b"], raise_by_name, "processes")
    assert [results[name].status for name in ("a", "raises", "b")] == ["rendered", "lost", "rendered"]
    assert "RuntimeError" in results["raises"].problems[0].what


class Interrupt(Watch):
    """Presses Ctrl-C as soon as a song is seen under way."""

    def tick(self, shares: Mapping[str, float]) -> None:
        if shares:
            self.at = time.monotonic()
            raise KeyboardInterrupt


@pytest.mark.parametrize("kind", ENGINES)
def test_an_interrupted_batch_keeps_what_is_done_and_stops_the_rest(tmp_path: Path, kind: str) -> None:
    """Songs under way stop at their next look, far sooner than they would end; those that wait never start.

    Ctrl-C of a terminal goes to all processes: the workers are deaf to it, so that none dies with a traceback.
    """
    watch = Interrupt()
    results = run(tmp_path, ["quick", "long", "longer", "waits"], beat_until_stopped, kind, watch)
    assert set(results) == {"quick", "interrupted"} and results["quick"].status == "rendered"
    assert time.monotonic() - watch.at < 45  # the songs would take a minute each
    assert left_behind(tmp_path / "out") == []


def test_a_worker_of_another_version_refuses_the_song(tmp_path: Path) -> None:
    """Mixed versions on a cluster never mix into one album."""
    from dataclasses import replace

    with Hub(tmp_path / "out") as hub:
        result = render_song(replace(job(tmp_path, "song", hub.go), version="0.0.1"))
    [problem] = result.problems
    assert (result.status, problem.slug) == ("problems", "batch-other-version")
    assert "0.0.1" in problem.what
