"""Where songs are rendered: processes of this machine, or a dask.distributed cluster; both as an Executor."""

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import AbstractContextManager, contextmanager
from multiprocessing import resource_tracker
from pathlib import Path
from typing import Protocol

from premix.delivery.scratch import scratch_folder

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
