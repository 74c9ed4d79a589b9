"""A cluster that keeps a batch waiting: every wait is short, or told, and ends with the songs named."""

import contextlib
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from premix.batch import cluster
from premix.batch.engines import engine_for
from premix.batch.runner import Hub, Runner, Watch
from premix.cli.main import run
from premix.errors import UserError
from premix.messages import REMEDIES
from tests.batch.sessions import house_recipe, job, write_names
from tests.batch.works import nap

pytestmark = pytest.mark.tools("posix")


@contextlib.contextmanager
def started(*words: str, **environment: str) -> Iterator["subprocess.Popen[str]"]:
    """A dask program in a process of its own, gone afterwards also where it was stopped."""
    process = subprocess.Popen(
        [sys.executable, "-m", *words],
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | environment,
        cwd=environment.get("PYTHONPATH"),  # which Python looks into first
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


@pytest.fixture
def scheduler() -> Iterator[tuple["subprocess.Popen[str]", str]]:
    """A scheduler and its address."""
    options = ("--host", "127.0.0.1", "--port", "0", "--no-dashboard")
    with started("distributed.cli.dask_scheduler", *options) as process:
        assert process.stderr is not None
        found = next(hit for line in process.stderr if (hit := re.search(r"tcp://127\.0\.0\.1:\d+", line)))
        yield process, found[0]


def worker(address: str, **environment: str) -> "contextlib.AbstractContextManager[subprocess.Popen[str]]":
    options = ("--nthreads", "1", "--no-dashboard", "--no-nanny")
    return started("distributed.cli.dask_worker", address, *options, **environment)


def refusal(address: str) -> tuple[list[str], float]:
    """The slugs that a connection ends with, and how long it took."""
    begun = time.monotonic()
    with pytest.raises(UserError) as caught, engine_for(address, 1, Path()):
        pass
    assert all(problem.slug in REMEDIES for problem in caught.value.problems)
    return [problem.slug for problem in caught.value.problems], time.monotonic() - begun


@pytest.mark.parametrize(
    "address",
    ["nonsense", "tcp://", "10.0.0.1", "tcp://10.0.0.1", "http://10.0.0.1:1", "tcp://a b:1", "a:0", "a:70000", ""],
)
def test_a_malformed_address_is_a_usage_error(tmp_path: Path, address: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Before anything is looked for."""
    command = [
        "batch",
        str(tmp_path / "no.yaml"),
        str(tmp_path),
        "--out",
        str(tmp_path / "out"),
        "--scheduler",
        address,
    ]
    assert run(command) == 2
    assert "tcp://10.0.0.1:8786" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:8786", "tls://host.example:1", "[::1]:8786", "host:65535"])
def test_addresses_that_schedulers_have_are_taken(address: str) -> None:
    """With and without a protocol, names and numbers."""
    assert cluster.is_address(address)


def test_a_port_that_takes_connections_and_never_answers_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Within the limit, whatever the library would wait."""
    monkeypatch.setattr(cluster, "CONNECT_S", 2.0)
    with socket.create_server(("127.0.0.1", 0)) as server:
        taken: list[socket.socket] = []

        def take() -> None:
            with contextlib.suppress(OSError):
                while True:
                    taken.append(server.accept()[0])

        threading.Thread(target=take, daemon=True).start()
        slugs, took_s = refusal(f"tcp://127.0.0.1:{server.getsockname()[1]}")
    for connection in taken:
        connection.close()
    assert slugs == ["batch-no-scheduler"] and took_s < 30


def test_workers_with_another_premix_or_none_are_refused_by_name(
    scheduler: tuple["subprocess.Popen[str]", str], tmp_path: Path
) -> None:
    """Each has a line with its address; no song is begun."""
    address = scheduler[1]
    other = tmp_path / "other" / "premix"
    other.mkdir(parents=True)
    (other / "__init__.py").write_text("__version__ = '0.0.1'\n")
    bare = tmp_path / "bare" / "premix"
    bare.mkdir(parents=True)
    (bare / "__init__.py").write_text("raise ModuleNotFoundError(\"No module named 'premix'\")\n")
    with worker(address, PYTHONPATH=str(other.parent)), worker(address, PYTHONPATH=str(bare.parent)):
        from distributed import Client

        with Client(address, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)
        with pytest.raises(UserError) as caught, engine_for(address, 1, Path()):
            pass
    told = {problem.slug: problem for problem in caught.value.problems}
    assert set(told) == {"batch-other-version", "batch-worker-bare"}
    assert "0.0.1" in told["batch-other-version"].what and "tcp://" in told["batch-other-version"].where


class Told(Watch):
    """Keeps what is said of waits; does something after the first song."""

    def __init__(self, then: "subprocess.Popen[str]", number: int) -> None:
        self.lines: list[str] = []
        self._then, self._number = then, number

    def warn(self, text: str) -> None:
        self.lines.append(text)

    def finished(self, result: object) -> None:
        if self._then.poll() is None:
            self._then.send_signal(self._number)


@pytest.mark.parametrize(
    ("who", "number", "word", "slug"),
    [
        ("scheduler", signal.SIGSTOP, "no answer from the scheduler", "batch-scheduler-lost"),
        ("worker", signal.SIGKILL, "no worker", "batch-no-workers"),
    ],
)
def test_a_frozen_scheduler_and_workers_that_are_gone_are_told_and_end(
    scheduler: tuple["subprocess.Popen[str]", str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    who: str,
    number: int,
    word: str,
    slug: str,
) -> None:
    """The first song's result stays; a word while it waits; then the other songs, by name."""
    monkeypatch.setattr(cluster, "GIVE_UP_S", 6.0)
    monkeypatch.setattr(cluster, "_SPEAK_S", 2.0)
    process, address = scheduler
    with worker(address) as working:
        watch = Told(process if who == "scheduler" else working, number)
        begun = time.monotonic()
        with Hub(tmp_path / "out") as hub, engine_for(address, 1, hub.go) as engine:
            runner = Runner(engine, hub, watch, nap)
            runner.run([job(tmp_path, name, hub.go) for name in ("a", "b", "c", "d", "e", "f")])
        assert time.monotonic() - begun < 120
        process.send_signal(signal.SIGCONT)
    statuses = [result.status for result in runner.results.values()]
    assert len(statuses) == 6 and "rendered" in statuses and "lost" in statuses
    assert any(word in line and address in line for line in watch.lines), watch.lines
    told = {problem.slug for result in runner.results.values() for problem in result.problems}
    assert told == {slug}


def test_a_worker_that_was_stopped_is_named(
    scheduler: tuple["subprocess.Popen[str]", str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before the first song: it is asked who it is, and does not say."""
    monkeypatch.setattr(cluster, "CONNECT_S", 3.0)
    address = scheduler[1]
    with worker(address) as stopped:
        from distributed import Client

        with Client(address, set_as_default=False) as client:
            client.wait_for_workers(1, timeout=60)
        stopped.send_signal(signal.SIGSTOP)
        slugs, took_s = refusal(address)
        stopped.send_signal(signal.SIGCONT)
    assert slugs == ["batch-worker-silent"] and took_s < 60


def test_a_song_that_says_nothing_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not one that goes on."""
    monkeypatch.setattr("premix.batch.runner._SILENT_S", 0.2)
    with Hub(tmp_path / "out") as hub:
        share = hub.folder / "quiet.share"
        share.write_text("0.1")
        assert list(hub.silent()) == []
        time.sleep(0.3)
        (line,) = hub.silent()
        assert line.startswith("quiet: nothing heard of it for ")
        assert list(hub.silent()) == []
        os.utime(share)
        assert list(hub.silent()) == []


@pytest.mark.parametrize("name", ["summary.json", "Index.html", ".noted", ".premix-batch"])
def test_a_song_is_not_called_like_a_file_of_the_batch(tmp_path: Path, name: str) -> None:
    """Its folder would be in the way at the end of all work."""
    from premix.batch.order import run_batch

    song = write_names(tmp_path / "songs" / name, "left_a_dynamic.wav")
    with pytest.raises(UserError, match="batch-reserved-name"):
        run_batch(house_recipe(tmp_path), [str(song)], tmp_path / "out")
