"""Scratch arrays of threads: one a thread, kept, as large as the largest request."""

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

import numpy as np

from premix.arrays import ThreadArray


def test_a_thread_gets_the_same_memory_again() -> None:
    """That is what it is for; a larger request makes a larger array, a smaller one does not."""
    scratch = ThreadArray(np.int32)
    large = scratch.first(100)
    assert large.shape == (100,)
    assert large.dtype == np.int32
    small = scratch.first(10)
    assert small.base is large.base
    assert np.shares_memory(small, large)
    assert scratch.first(101).shape == (101,)


def test_threads_never_share() -> None:
    """Two threads fill theirs at the same time, and each reads back its own."""
    scratch, both_filled = ThreadArray(np.float64), Barrier(2, timeout=10)

    def fill(value: float) -> bool:
        mine = scratch.first(1000)
        mine[:] = value
        both_filled.wait()
        return bool((scratch.first(1000) == value).all())

    with ThreadPoolExecutor(2) as pool:
        assert list(pool.map(fill, (1.0, 2.0))) == [True, True]
