"""Jobs on a pool or without one: order, errors, and nothing left running."""

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from functools import partial

import pytest

from premix.threads import SideBySide


def pool_of(threads: int) -> ThreadPoolExecutor | nullcontext[None]:
    """A context with a pool of so many threads, None for 1."""
    return ThreadPoolExecutor(threads) if threads > 1 else nullcontext()


@pytest.mark.parametrize("threads", [1, 2, 4])
def test_results_come_in_the_order_of_the_jobs(threads: int) -> None:
    """Though the first job ends last: it waits for the second where there are threads."""
    second = threading.Event()

    def first() -> str:
        assert threads == 1 or second.wait(10)
        return "first"

    def other() -> str:
        second.set()
        return "second"

    with pool_of(threads) as pool, SideBySide(pool) as work:
        assert work.threaded == (threads > 1)
        assert work.begin([first, other])() == ["first", "second"]


@pytest.mark.parametrize("threads", [1, 2])
def test_the_first_error_is_raised(threads: int) -> None:
    """As if the jobs had run one after the other."""
    with pool_of(threads) as pool, SideBySide(pool) as work, pytest.raises(ValueError, match="one"):
        work.begin([partial(fail, "one"), partial(fail, "two")])()


def fail(what: str) -> None:
    raise ValueError(what)


def test_leaving_waits_for_what_runs() -> None:
    """Files may be closed after it: no job still reads them."""
    go, done = threading.Event(), []

    def slow() -> None:
        go.wait(10)
        done.append(True)

    with ThreadPoolExecutor(2) as pool:
        with pytest.raises(KeyError), SideBySide(pool) as work:
            work.begin([slow])
            threading.Timer(0.05, go.set).start()
            raise KeyError
        assert done == [True]


def test_without_threads_nothing_runs_before_it_is_asked_for() -> None:
    """Arrays that a job fills may be in use until then."""
    done = []
    with SideBySide(None) as work:
        results = work.begin([lambda: done.append(1)])
        assert done == []
        results()
    assert done == [1]


@pytest.mark.parametrize("threads", [1, 3])
def test_a_job_waits_for_the_one_that_it_comes_after(threads: int) -> None:
    """Each for the one in its own place: the second job's follower need not wait for the slow first one.

    Three threads: the slow job and its waiting follower hold two.
    """
    follower_done = threading.Event()
    order: list[str] = []

    def slow() -> None:
        assert threads == 1 or follower_done.wait(10)
        order.append("slow")

    def quick() -> None:
        order.append("quick")

    def after_quick() -> None:
        order.append("after quick")
        follower_done.set()

    with pool_of(threads) as pool, SideBySide(pool) as work:
        first = work.begin([slow, quick])
        following: list[Callable[[], None]] = [partial(order.append, "after slow"), after_quick]
        then = work.begin(following, first)
        first()
        then()
    assert order.index("slow") < order.index("after slow")
    assert order.index("quick") < order.index("after quick")
    if threads > 1:
        assert order.index("after quick") < order.index("slow")
