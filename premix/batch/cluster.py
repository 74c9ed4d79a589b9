"""Somebody else's scheduler: its address, the way there in bounded time, who works for it, and whether it answers.

Nothing here waits without an end: a port that takes connections and never speaks, a scheduler that was stopped, and
workers that are gone or silent are all told by name.
"""

import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

from premix import __version__
from premix.errors import Problem, UserError

T = TypeVar("T")

CONNECT_S = 10.0
"""Longest that a scheduler may take to answer, and its workers to say who they are."""
GIVE_UP_S = 60.0
"""Longest that a batch goes on without a scheduler that answers, or without any worker."""
_SPEAK_S = 10.0
"""So long nothing is said of it, and between one word and the next."""
_LOOK_S = 1.0
_CLOSE_S = 3.0
_PROBE = "__import__('premix').__version__"
_ADDRESS = re.compile(
    r"(?:(?:tcp|tls|ws|wss|ucx)://)?(?P<host>\[[0-9a-fA-F:.]+\]|[A-Za-z0-9._-]+):(?P<port>[0-9]{1,5})"
)
ADDRESS_FORM = "local, or an address as the scheduler prints it, for example tcp://10.0.0.1:8786"


def is_address(text: str) -> bool:
    """Whether a text is an address that a scheduler can have."""
    found = _ADDRESS.fullmatch(text)
    return found is not None and 0 < int(found["port"]) < 65_536


def within(limit_s: float, work: Callable[[], T]) -> T:
    """What `work` gives, in a thread of its own; TimeoutError where that takes longer: the thread is left alone."""
    done: list[T] = []
    failed: list[BaseException] = []

    def run() -> None:
        try:
            done.append(work())
        except BaseException as error:
            failed.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(limit_s)
    if failed:
        raise failed[0]
    if not done:
        raise TimeoutError(f"no answer within {limit_s:g} s")
    return done[0]


@contextmanager
def connected(address: str) -> Iterator[Any]:
    """A client of the scheduler at an address, which has workers of this version of premix only. Raises UserError."""
    from distributed import Client

    if not is_address(address):
        raise _error("batch-no-scheduler", address, "this is no address")
    try:
        _reach(address)
        client = within(CONNECT_S, lambda: Client(address, timeout=CONNECT_S, set_as_default=False))
    except (OSError, ValueError) as error:
        reason = str(error) or type(error).__name__
        raise _error("batch-no-scheduler", address, f"no scheduler answers there ({reason})") from None
    try:
        _check_workers(client, address)
        yield client
    finally:
        with suppress(Exception):  # a scheduler that does not answer any more is not waited for
            within(_CLOSE_S, lambda: client.close(timeout=_CLOSE_S))


def _reach(address: str) -> None:
    """OSError where nobody listens there."""
    found = _ADDRESS.fullmatch(address)
    assert found is not None
    socket.create_connection((found["host"].strip("[]"), int(found["port"])), timeout=CONNECT_S).close()


def _check_workers(client: Any, address: str) -> None:
    try:
        within(CONNECT_S, lambda: client.wait_for_workers(1, timeout=CONNECT_S))
    except (OSError, ValueError):
        raise _error("batch-no-workers", address, "the scheduler has no workers") from None
    problems = list(_wrong_workers(client))
    if problems:
        raise UserError(problems)


def _wrong_workers(client: Any) -> Iterator[Problem]:
    """A problem for every worker that runs another premix, none, or does not answer."""
    try:
        found = within(CONNECT_S, lambda: client.run(eval, _PROBE, on_error="return"))
    except (OSError, ValueError):
        for worker in _silent(client):
            yield Problem("batch-worker-silent", worker, f"this worker does not answer within {CONNECT_S:g} s")
        return
    for worker, version in sorted(found.items()):
        if isinstance(version, BaseException):
            yield Problem("batch-worker-bare", worker, f"premix cannot be loaded there ({version})")
        elif version != __version__:
            what = f"this worker runs premix {version}, the batch was started by {__version__}"
            yield Problem("batch-other-version", worker, what)


def _silent(client: Any) -> list[str]:
    """Those workers that have not been heard of for longest, by the scheduler's own clock."""
    seen = {name: float(worker["last_seen"]) for name, worker in client.scheduler_info(n_workers=-1)["workers"].items()}
    newest = max(seen.values(), default=0.0)
    return [name for name, at in sorted(seen.items()) if newest - at > _LOOK_S] or sorted(seen)


class Health:
    """Looks in a thread of its own whether the scheduler answers and has workers.

    Calling it gives a line where that has not been so for a while ('' else), and raises UserError where that lasts.
    """

    def __init__(self, client: Any, address: str) -> None:
        self._client, self._address = client, address
        self._answered = self._worked = self._said = time.monotonic()
        threading.Thread(target=self._look, daemon=True).start()

    def __call__(self) -> str:
        now = time.monotonic()
        silent_s, idle_s = now - self._answered, now - self._worked
        if max(silent_s, idle_s) < _SPEAK_S:
            return ""
        gone = silent_s >= _SPEAK_S
        what, slug = (
            ("no answer from the scheduler", "batch-scheduler-lost") if gone else ("no worker", "batch-no-workers")
        )
        if max(silent_s, idle_s) > GIVE_UP_S:
            raise _error(slug, self._address, f"{what} for {GIVE_UP_S:g} s")
        if now - self._said < _SPEAK_S:
            return ""
        self._said = now
        return f"{self._address}: {what} for {silent_s if gone else idle_s:.0f} s"

    def _look(self) -> None:
        while self._client.status in ("running", "connecting"):
            with suppress(Exception):  # it is told by the time that passes
                workers = self._client.sync(self._client.scheduler.identity, n_workers=-1)["workers"]
                self._answered = time.monotonic()
                if workers:
                    self._worked = self._answered
            time.sleep(_LOOK_S)


def _error(slug: str, where: str, what: str) -> UserError:
    return UserError(Problem(slug, where, what))
