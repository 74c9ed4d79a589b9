"""Jobs that share nothing, on the threads of a pool or one after the other."""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, wait
from typing import Any, TypeVar

T = TypeVar("T")


class SideBySide:
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

    def __enter__(self) -> "SideBySide":
        return self

    def __exit__(self, *error: object) -> None:
        wait(self._running)

    def begin(self, jobs: Sequence[Callable[[], T]]) -> Callable[[], list[T]]:
        """Begin the jobs; calling what is given waits for them and gives their results in order, or the first error."""
        if self._pool is None:
            return lambda: [job() for job in jobs]
        futures = [self._pool.submit(job) for job in jobs]
        self._running = {future for future in self._running if not future.done()}.union(futures)

        def results() -> list[T]:
            wait(futures)
            return [future.result() for future in futures]

        return results
