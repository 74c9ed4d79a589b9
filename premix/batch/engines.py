"""Where songs are rendered: processes of this machine, or a dask.distributed cluster; both as an Executor.

Songs on a dask.distributed cluster, through its executor for concurrent.futures.

Paths are those of shared storage: every worker must see recipe, tracks and OUT under the same names.

How many songs fit into the machine at once: its cores and its free memory.
"""

import logging
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import AbstractContextManager, ExitStack, contextmanager
from multiprocessing import resource_tracker
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol

from premix.delivery.scratch import scratch_folder
from premix.errors import Problem, UserError

_LEAVE_S = 5.0
"""Time a worker has to leave its song cleanly when the batch has died."""


class Engine(Protocol):
    """Gives executors. at_once: songs to hand over at the same time (the rest waits in the batch)."""

    at_once: int

    def executor(self, workers: int) -> AbstractContextManager[Executor]:
        """An executor for so many songs at once; UserError where there is none any more."""
        ...


class ProcessEngine:
    """One process a song over the cores of this machine.

    go: the batch's go-ahead file, which the workers withdraw themselves when the batch's process dies.
    """

    def __init__(self, jobs: int, go: Path) -> None:
        self.at_once = jobs
        self._go = go

    @contextmanager
    def executor(self, workers: int) -> Iterator[Executor]:
        spawn = multiprocessing.get_context("spawn")  # the one start method that every system has
        with _worker_environment(), ProcessPoolExecutor(workers, spawn, _watch_batch, (self._go,)) as pool:
            yield pool


@contextmanager
def held_interrupts() -> Iterator[None]:
    """Keep Ctrl-C back while processes are started: they inherit that, and only the batch hears it."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # its start lets Ctrl-C through again, so it has to come first
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def _worker_environment() -> Iterator[None]:
    """One thread a worker for linear algebra, and a scratch folder that goes even if a worker is killed."""
    with scratch_folder() as scratch:
        wanted = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "TMPDIR": str(scratch)}
        before = {name: os.environ.get(name) for name in wanted}
        os.environ.update(wanted)
        try:
            yield
        finally:
            for name, value in before.items():
                if value is None:
                    del os.environ[name]
                else:
                    os.environ[name] = value


def _watch_batch(go: Path) -> None:
    """Run in every worker at its start: end when the batch's process has ended, however."""
    batch = multiprocessing.parent_process()
    if batch is not None:
        threading.Thread(target=_follow, args=(batch, go), daemon=True).start()


def _follow(batch: multiprocessing.process.BaseProcess, go: Path) -> None:
    batch.join()
    go.unlink(missing_ok=True)  # the song under way stops at its next look
    time.sleep(_LEAVE_S)
    os._exit(1)


LOCAL = "local"
CONNECT_S = 10.0
_PLENTY = 1_000_000
"""Songs handed over at once: all of them, so that workers which join later have work."""

_LOCAL_CONFIG = {
    "distributed.scheduler.allowed-failures": 0,  # a lost song comes back at once; the batch retries it alone
    "distributed.worker.profile.enabled": False,
    # Songs run in a thread of the worker: one arena, and without dask's own MALLOC_TRIM_THRESHOLD_, memory is kept
    # from block to block as in a plain process; else asking for it again took a fifth of a render's time.
    "distributed.nanny.pre-spawn-environ": {"OMP_NUM_THREADS": 1, "OPENBLAS_NUM_THREADS": 1, "MALLOC_ARENA_MAX": 1},
}


class ClusterEngine:
    """A context manager around a connection to the scheduler at `address`, or to one of our own ('local').

    jobs: workers of our own. Raises UserError where nothing answers, or nobody works there.
    """

    def __init__(self, address: str, jobs: int) -> None:
        self._address, self._jobs = address, jobs
        self.at_once = jobs if address == LOCAL else _PLENTY
        self._client: Any = None
        self._open = ExitStack()

    def __enter__(self) -> "ClusterEngine":
        try:
            from distributed import Client
        except ImportError:
            raise _error("batch-no-engine", "--scheduler", "dask.distributed is not installed") from None
        logging.getLogger("distributed").setLevel(logging.CRITICAL + 1)  # what it says of a lost peer, we say
        with held_interrupts():
            where = self._local() if self._address == LOCAL else self._address
            try:
                self._client = self._open.enter_context(Client(where, timeout=CONNECT_S, set_as_default=False))
                self._client.wait_for_workers(1, timeout=CONNECT_S)
            except (OSError, ValueError) as error:
                self._open.close()
                if self._client is None:
                    raise _error("batch-no-scheduler", self._address, f"no scheduler answers there ({error})") from None
                raise _error("batch-no-workers", self._address, "the scheduler has no workers") from None
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.close()

    @contextmanager
    def executor(self, workers: int) -> Iterator[Executor]:
        """The cluster's executor; how many work is the cluster's affair."""
        if self._client.status != "running":
            raise _error("batch-scheduler-lost", self._address, "the scheduler does not answer any more")
        executor = self._client.get_executor(pure=False)
        try:
            yield executor
        finally:
            executor.shutdown(wait=False)

    def _local(self) -> Any:
        """A scheduler and workers of our own, on this machine."""
        import dask
        from distributed import LocalCluster

        self._open.enter_context(dask.config.set(_LOCAL_CONFIG))
        return self._open.enter_context(
            LocalCluster(
                n_workers=self._jobs,
                threads_per_worker=1,
                processes=True,
                host="127.0.0.1",
                dashboard_address=None,
                silence_logs=logging.CRITICAL + 1,
            )
        )


def _error(slug: str, where: str, what: str) -> UserError:
    return UserError(Problem(slug, where, what))


SONG_BYTES = 300_000_000
"""Memory of one render: what it may need at most with its report, whatever the song's length."""
_TO_SPARE = 0.9
_MEMINFO = Path("/proc/meminfo")
_CGROUP = Path("/sys/fs/cgroup")


def cores() -> int:
    """Cores that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def fitting_jobs(free_bytes: int | None) -> int | None:
    """Songs that may be rendered at once in so much memory, at least one; None where it is not known."""
    return None if free_bytes is None else max(1, int(free_bytes * _TO_SPARE) // SONG_BYTES)


def free_bytes(meminfo: Path = _MEMINFO, cgroup: Path = _CGROUP) -> int | None:
    """Memory that is free for programs, under the limit of the container if there is one; None: not known.

    MemAvailable of proc(5); memory.max, memory.current and memory.stat of the kernel's control groups, version 2.
    """
    found = [size for size in (_available(meminfo), _left_in_group(cgroup)) if size is not None]
    return min(found, default=None)


def _available(meminfo: Path) -> int | None:
    try:
        lines = meminfo.read_text().splitlines()
        return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable:"))
    except (OSError, StopIteration, ValueError, IndexError):
        return None


def _left_in_group(cgroup: Path) -> int | None:
    try:
        limit = (cgroup / "memory.max").read_text().strip()
        if limit == "max":
            return None
        used = int((cgroup / "memory.current").read_text())
        stat = dict(line.split() for line in (cgroup / "memory.stat").read_text().splitlines())
        return max(0, int(limit) - used + int(stat.get("inactive_file", 0)))  # cached files give way
    except (OSError, ValueError):
        return None
