"""Songs on a scheduler that may not be there, may have no workers, or goes away in the middle."""

import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from premix.batch import engines as cluster
from premix.batch.engines import ClusterEngine
from premix.batch.order import run_batch
from premix.batch.pulse import Hub
from premix.batch.run import Runner, Watch
from premix.batch.work import SongResult
from premix.errors import UserError
from tests.batch.sessions import job, write_names, write_recipe
from tests.batch.works import nap


@pytest.fixture
def scheduler() -> Iterator[tuple[subprocess.Popen[str], str]]:
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
def worker(scheduler: tuple[subprocess.Popen[str], str]) -> Iterator[None]:
    """One worker at that scheduler."""
    options = ["--nthreads", "1", "--no-dashboard", "--no-nanny"]
    process = subprocess.Popen(
        [sys.executable, "-m", "distributed.cli.dask_worker", scheduler[1], *options], stderr=subprocess.DEVNULL
    )
    yield
    process.kill()
    process.wait()


def slug_of(address: str) -> str:
    with pytest.raises(UserError) as caught, ClusterEngine(address, 1):
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
        run_batch(write_recipe(tmp_path), [str(song)], tmp_path / "out", scheduler="tcp://127.0.0.1:1")
    assert list((tmp_path / "out").iterdir()) == []


def test_a_scheduler_without_workers_is_told(
    scheduler: tuple[subprocess.Popen[str], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rather than waiting for ever."""
    monkeypatch.setattr(cluster, "CONNECT_S", 2.0)
    assert slug_of(scheduler[1]) == "batch-no-workers"


class KillAfterFirst(Watch):
    """Kills the scheduler when the first song has come back."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def finished(self, result: SongResult) -> None:
        self._process.kill()


def test_a_scheduler_that_is_lost_costs_only_what_was_not_done(
    scheduler: tuple[subprocess.Popen[str], str], worker: None, tmp_path: Path
) -> None:
    """kill -9 of the scheduler: the first song's result stays, the others are told with what to do."""
    process, address = scheduler
    with Hub(tmp_path / "out") as hub, ClusterEngine(address, 1) as engine:
        runner = Runner(engine, hub, KillAfterFirst(process), nap)
        runner.run([job(tmp_path, name, hub.go) for name in ("a", "b", "c")])
    statuses = sorted(result.status for result in runner.results.values())
    assert statuses == ["lost", "lost", "rendered"]
    told = {problem.slug for result in runner.results.values() for problem in result.problems}
    assert told == {"batch-scheduler-lost"}
