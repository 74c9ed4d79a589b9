"""Songs on a dask.distributed cluster, through its executor for concurrent.futures.

Paths are those of shared storage: every worker must see recipe, tracks and OUT under the same names.
"""

import logging
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import ExitStack, contextmanager
from types import TracebackType
from typing import Any

from premix.batch.engines import held_interrupts
from premix.errors import Problem, UserError
from premix.messages.batch import SLUGS

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
    return UserError(Problem(slug, where, what, remedy=SLUGS[slug]))
