"""Where songs are rendered, as an Executor: processes of this machine or a dask.distributed cluster; how many at once.

On a cluster, paths are those of shared storage: every worker must see recipe, tracks and OUT under the same names.
"""

import logging
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from multiprocessing import resource_tracker
from pathlib import Path
from typing import Any

from premix.batch.cluster import Health, connected
from premix.batch.work import end_cleanly
from premix.delivery.scratch import scratch_folder
from premix.errors import Finding, Problem, UserError

LOCAL = "local"
START_S = 60.0
"""Longest that workers of our own may take to start."""
SONG_BYTES = 300_000_000
"""Memory of one render: what it may need at most with its report, whatever the song's length."""
_TO_SPARE = 0.9
_LEAVE_S = 5.0
"""Time a worker has to leave its song cleanly when the batch has died."""
_PLENTY = 1_000_000
"""Songs handed over to a cluster at once: all of them, so that workers which join later have work."""
_LOCAL_CONFIG = {
    "distributed.scheduler.allowed-failures": 0,  # a lost song comes back at once; the batch retries it alone
    "distributed.worker.profile.enabled": False,
    # Songs run in a thread of the worker: one arena, and without dask's own MALLOC_TRIM_THRESHOLD_, memory is kept
    # from block to block as in a plain process; else asking for it again took a fifth of a render's time.
    "distributed.nanny.pre-spawn-environ": {"OMP_NUM_THREADS": 1, "OPENBLAS_NUM_THREADS": 1, "MALLOC_ARENA_MAX": 1},
}


@dataclass(frozen=True, slots=True)
class Engine:
    """at_once: songs to hand over at the same time (the rest waits in the batch).

    executor: a context with an executor for so many songs at once; UserError where there is none any more. health:
    called now and then; gives a line where nothing can go on at present ('' else), UserError where that lasts.
    """

    at_once: int
    executor: Callable[[int], AbstractContextManager[Executor]]
    health: Callable[[], str] = str


@contextmanager
def engine_for(scheduler: str | None, jobs: int, go: Path) -> Iterator[Engine]:
    """Processes of this machine, or the cluster of a scheduler: at its address, or one of our own ('local').

    jobs: processes, or workers of our own cluster. go: the batch's go-ahead file. Raises UserError where no scheduler
    answers, or nobody works there.
    """
    if scheduler is None:
        yield Engine(jobs, partial(processes, go))
        return
    try:
        import distributed  # noqa: F401 (asked whether it is there)
    except ImportError:
        raise _error("batch-no-engine", "--scheduler", "dask.distributed is not installed") from None
    logging.getLogger("distributed").setLevel(logging.CRITICAL + 1)  # what it says of a lost peer, we say
    with ExitStack() as opened:
        with held_interrupts():
            client = _own_client(jobs, opened) if scheduler == LOCAL else opened.enter_context(connected(scheduler))
        songs = jobs if scheduler == LOCAL else _PLENTY
        yield Engine(songs, partial(_cluster, client, scheduler), Health(client, scheduler))


def _own_client(jobs: int, opened: ExitStack) -> Any:
    """A client of a scheduler and workers of our own, on this machine. Raises UserError where they do not start."""
    from distributed import Client

    try:
        client = opened.enter_context(Client(_local_cluster(jobs, opened), timeout=START_S, set_as_default=False))
        client.wait_for_workers(1, timeout=START_S)
    except (OSError, ValueError) as error:
        raise _error("batch-no-workers", LOCAL, f"no worker starts here ({error or type(error).__name__})") from None
    return client


def _local_cluster(jobs: int, opened: ExitStack) -> Any:
    """A scheduler and workers of our own, on this machine."""
    import dask
    from distributed import LocalCluster

    opened.enter_context(dask.config.set(_LOCAL_CONFIG))
    return opened.enter_context(
        LocalCluster(
            n_workers=jobs,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address=None,
            scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},  # no page, but its server takes a port, any free one
            silence_logs=logging.CRITICAL + 1,
        )
    )


def _error(slug: str, where: str, what: str) -> UserError:
    return UserError(Problem(slug, where, what))


@contextmanager
def _cluster(client: Any, address: str, workers: int) -> Iterator[Executor]:
    """A dask.distributed client's executor; how many songs it works on is the cluster's affair."""
    if client.status != "running":
        raise _error("batch-scheduler-lost", address, "the scheduler does not answer any more")
    executor = client.get_executor(pure=False)
    try:
        yield executor
    finally:
        executor.shutdown(wait=False)


@contextmanager
def processes(go: Path, workers: int) -> Iterator[Executor]:
    """One process a song over the cores of this machine; they withdraw the go-ahead when the batch's process dies."""
    spawn = multiprocessing.get_context("spawn")  # the one start method that every system has
    with _worker_environment(), ProcessPoolExecutor(workers, spawn, _watch_batch, (go,)) as pool:
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
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), end_cleanly)
    batch = multiprocessing.parent_process()
    if batch is not None:
        threading.Thread(target=_follow, args=(batch, go), daemon=True).start()


def _follow(batch: multiprocessing.process.BaseProcess, go: Path) -> None:
    batch.join()
    go.unlink(missing_ok=True)  # the song under way stops at its next look
    time.sleep(_LEAVE_S)
    os._exit(1)


def songs_at_once(jobs: int | None, songs: int) -> tuple[int, tuple[Finding, ...]]:
    """As many as asked or one a core, but no more than there are songs and than fit into the free memory."""
    wanted = min(jobs or cores(), max(songs, 1))
    free = free_bytes()
    if free is None or (fitting := fitting_jobs(free)) >= wanted:
        return wanted, ()
    slug, what = "batch-fewer-jobs", f"{free / 1e9:.1f} GB of memory are free: {fitting} at once, not {wanted}"
    return fitting, (Finding(slug, "info", "--jobs", what),)


def cores() -> int:
    """Cores that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def fitting_jobs(free_bytes: int) -> int:
    """Songs that may be rendered at once in so much memory, at least one."""
    return max(1, int(free_bytes * _TO_SPARE) // SONG_BYTES)


def free_bytes(meminfo: Path = Path("/proc/meminfo"), cgroup: Path = Path("/sys/fs/cgroup")) -> int | None:
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
