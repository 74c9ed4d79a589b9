"""Jobs that share nothing, on the threads of a pool or one after the other."""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, wait
from contextlib import AbstractContextManager
from functools import partial
from typing import Any, Generic, TypeVar

T = TypeVar("T")


class Begun(Generic[T]):
    """Jobs that were begun; calling it waits for them and gives their results in order, or the first error."""

    def __init__(self, jobs: Sequence[Callable[[], T]], futures: Sequence[Future[T]] | None) -> None:
        self._jobs, self.futures = jobs, futures

    def __call__(self) -> list[T]:
        if self.futures is None:
            return [job() for job in self._jobs]
        wait(self.futures)
        return [future.result() for future in self.futures]


class SideBySide(AbstractContextManager["SideBySide"]):
    """A context manager around jobs; leaving it waits for those still running, so that what they use may be closed.

    pool: None for no threads: jobs then run when their results are asked for.
    """

    def __init__(self, pool: Executor | None) -> None:
        self._pool = pool
        self._running: set[Future[Any]] = set()

    @property
    def threaded(self) -> bool:
        """Whether jobs may run before their results are asked for."""
        return self._pool is not None

    def __exit__(self, *error: object) -> None:
        wait(self._running)

    def begin(self, jobs: Sequence[Callable[[], T]], after: Begun[Any] | None = None) -> Begun[T]:
        """Begin the jobs. after: jobs begun before, as many; each new one waits for the one in its own place."""
        if self._pool is None:
            return Begun(jobs, None)
        if after is not None and after.futures is not None:
            jobs = [partial(_after, earlier, job) for earlier, job in zip(after.futures, jobs, strict=True)]
        futures = [self._pool.submit(job) for job in jobs]
        self._running = {future for future in self._running if not future.done()}.union(futures)
        return Begun(jobs, futures)


def _after(earlier: Future[Any], job: Callable[[], T]) -> T:
    wait([earlier])  # a pool begins jobs in order, so it runs already
    return job()
