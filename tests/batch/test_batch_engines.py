"""Processes and clusters: workers that are killed, raise or are not wanted any more; schedulers that are not there."""

import contextlib
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from premix.batch import cluster, order
from premix.batch.engines import LOCAL, Engine, engine_for
from premix.batch.order import run_batch
from premix.batch.runner import Hub, Runner, Watch, Work
from premix.batch.work import SongJob, SongResult, render_song
from premix.delivery.package import Package
from premix.errors import UserError
from tests.batch.sessions import house_recipe, job, left_behind, write_names
from tests.batch.works import beat_until_stopped, die_by_name, nap, raise_by_name

ENGINES = pytest.mark.parametrize("scheduler", [None, LOCAL], ids=["processes", "cluster"])


def run(
    folder: Path, names: list[str], work: Work, scheduler: str | None = None, watch: Watch | None = None
) -> dict[str, SongResult]:
    """The results of jobs that were run on two workers."""
    (folder / "out").mkdir(exist_ok=True)
    with Hub(folder / "out") as hub, engine_for(scheduler, 2, hub.go) as engine:
        runner = Runner(engine, hub, watch or Watch(), work)
        try:
            runner.run([job(folder, name, hub.go) for name in names])
        except KeyboardInterrupt:
            runner.results["interrupted"] = SongResult("interrupted", "stopped")
        return runner.results


def test_other_machines_are_given_whole_paths(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Recipe, tracks, OUT and sheets were named from a folder that a worker elsewhere does not stand in."""
    write_names(tmp_path / "a", "left_a_dynamic.wav")
    write_names(tmp_path / "sheets", "a.yaml")
    house_recipe(tmp_path)
    monkeypatch.chdir(tmp_path)
    asked: list[SongJob] = []

    def note(job: SongJob) -> SongResult:
        asked.append(job)
        return SongResult(job.name, "rendered")

    @contextlib.contextmanager
    def threads(scheduler: str | None, jobs: int, go: Path) -> Iterator[Engine]:
        yield Engine(jobs, lambda workers: ThreadPoolExecutor(workers))

    monkeypatch.setattr(order, "engine_for", threads)
    for scheduler, whole in (("tcp://10.0.0.1:8786", True), (None, False)):
        out, sheets = Path("out"), Path("sheets")
        run_batch(Path("house.yaml"), ["a"], out, sheets=sheets, scheduler=scheduler, work=note)
        job = asked.pop()
        paths = (job.recipe, job.folder, job.out, job.go, job.sheet)
        assert [path.is_absolute() for path in paths if path is not None] == [whole] * 5


@pytest.mark.tools("posix")
@ENGINES
def test_a_killed_worker_costs_its_own_song_at_most(tmp_path: Path, scheduler: str | None) -> None:
    """kill -9: a song that dies once is done on the second try, one that always dies is told, the rest finish."""
    names = ["a", "dies", "b", "dies once", "c"]
    results = run(tmp_path, names, die_by_name, scheduler)
    assert {name: result.status for name, result in results.items()} == {
        "a": "rendered",
        "dies": "lost",
        "b": "rendered",
        "dies once": "rendered",
        "c": "rendered",
    }
    [problem] = results["dies"].problems
    assert problem.slug == "batch-song-lost" and "twice" in problem.what


@pytest.mark.tools("posix")
def test_a_song_that_is_lost_leaves_nothing_unfinished(tmp_path: Path) -> None:
    """The folder that a killed worker was writing is removed, and an earlier render is named as such."""
    package = Package(tmp_path / "out" / "dies", inputs_folder=tmp_path / "dies")
    write_names(package.folder, "half.wav")
    write_names(tmp_path / "out" / "dies", "manifest.json")
    result = run(tmp_path, ["dies"], die_by_name)["dies"]
    assert [problem.slug for problem in result.problems] == ["batch-song-lost", "batch-earlier-render"]
    assert left_behind(tmp_path / "out") == []


def test_what_work_raises_is_kept_to_its_song(tmp_path: Path) -> None:
    """Even work that breaks its promise to raise nothing."""
    results = run(tmp_path, ["a", "raises", "b"], raise_by_name)
    assert [results[name].status for name in ("a", "raises", "b")] == ["rendered", "lost", "rendered"]
    assert "RuntimeError" in results["raises"].problems[0].what


class Interrupt(Watch):
    """Presses Ctrl-C as soon as a song is seen under way."""

    def tick(self, shares: Mapping[str, float]) -> None:
        if shares:
            self.at = time.monotonic()
            raise KeyboardInterrupt


@pytest.mark.tools("posix")
@ENGINES
def test_an_interrupted_batch_keeps_what_is_done_and_stops_the_rest(tmp_path: Path, scheduler: str | None) -> None:
    """Songs under way stop at their next look, far sooner than they would end; those that wait never start.

    Ctrl-C of a terminal goes to all processes: the workers are deaf to it, so that none dies with a traceback.
    """
    watch = Interrupt()
    results = run(tmp_path, ["quick", "long", "longer", "waits"], beat_until_stopped, scheduler, watch)
    assert set(results) == {"quick", "interrupted"} and results["quick"].status == "rendered"
    assert time.monotonic() - watch.at < 45  # the songs would take a minute each
    assert left_behind(tmp_path / "out") == []


def test_a_worker_of_another_version_refuses_the_song(tmp_path: Path) -> None:
    """Mixed versions on a cluster never mix into one album."""
    with Hub(tmp_path / "out") as hub:
        result = render_song(replace(job(tmp_path, "song", hub.go), version="0.0.1"))
    [problem] = result.problems
    assert (result.status, problem.slug) == ("problems", "batch-other-version")
    assert "0.0.1" in problem.what


@pytest.fixture
def served() -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A scheduler in a process of its own, and its address."""
    options = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard"]
    process = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_scheduler", *options], stderr=subprocess.PIPE, text=True
    )
    assert process.stderr is not None
    address = next(found[0] for line in process.stderr if (found := re.search(r"tcp://127\.0\.0\.1:\d+", line)))
    yield process, address
    process.kill()
    process.communicate()


@pytest.fixture
def worker(served: tuple[subprocess.Popen[str], str]) -> Iterator[None]:
    """One worker at that scheduler."""
    options = ["--nthreads", "1", "--no-dashboard", "--no-nanny"]
    process = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_worker", served[1], *options], stderr=subprocess.DEVNULL
    )
    yield
    process.kill()
    process.wait()


def slug_of(address: str) -> str:
    with pytest.raises(UserError) as caught, engine_for(address, 1, Path()):
        pass
    [problem] = caught.value.problems
    assert problem.remedy and problem.where == address
    return problem.slug


def test_a_scheduler_that_does_not_answer_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody listens at port 1; no address at all; and the batch that asked has left nothing in OUT."""
    monkeypatch.setattr(cluster, "CONNECT_S", 1.0)
    assert slug_of("tcp://127.0.0.1:1") == "batch-no-scheduler"
    assert slug_of("nonsense") == "batch-no-scheduler"
    song = write_names(tmp_path / "song", "left_a_dynamic.wav")
    with pytest.raises(UserError):
        run_batch(house_recipe(tmp_path), [str(song)], tmp_path / "out", scheduler="tcp://127.0.0.1:1")
    assert list((tmp_path / "out").iterdir()) == []


def test_a_scheduler_without_workers_is_told(
    served: tuple[subprocess.Popen[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rather than waiting for ever."""
    monkeypatch.setattr(cluster, "CONNECT_S", 2.0)
    assert slug_of(served[1]) == "batch-no-workers"


class KillAfterFirst(Watch):
    """Kills the scheduler when the first song has come back."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def finished(self, result: SongResult) -> None:
        self._process.kill()


def test_a_scheduler_that_is_lost_costs_only_what_was_not_done(
    served: tuple[subprocess.Popen[str], str], worker: None, tmp_path: Path
) -> None:
    """kill -9 of the scheduler: the first song's result stays, the others are told with what to do."""
    process, address = served
    with Hub(tmp_path / "out") as hub, engine_for(address, 1, hub.go) as engine:
        runner = Runner(engine, hub, KillAfterFirst(process), nap)
        runner.run([job(tmp_path, name, hub.go) for name in ("a", "b", "c")])
    statuses = sorted(result.status for result in runner.results.values())
    assert statuses == ["lost", "lost", "rendered"]
    told = {problem.slug for result in runner.results.values() for problem in result.problems}
    assert told == {"batch-scheduler-lost"}


def test_a_cluster_of_our_own_needs_no_certain_port() -> None:
    """A second one beside it, or anybody at the usual port of its page, is nothing to warn of."""
    with socket.socket() as taken:
        with contextlib.suppress(OSError):  # somebody has it already
            taken.bind(("", 8787))
            taken.listen()
        with engine_for(LOCAL, 1, Path()) as engine:
            assert engine.at_once == 1
