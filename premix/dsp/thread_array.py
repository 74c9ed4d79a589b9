"""Scratch arrays that belong to a thread: what lives only within one call need not be a different array each time.

A mix runs tens of tracks through the same steps. With an array each, every step would write to memory that has left
the processor's cache; with the thread's own array, the next track finds it there.
"""

import threading
from typing import Generic, TypeVar

import numpy as np
import numpy.typing as npt

Scalar = TypeVar("Scalar", bound=np.generic)


class ThreadArray(threading.local, Generic[Scalar]):
    """One growing array a thread. What it holds is lost when the same thread asks again."""

    def __init__(self, dtype: type[Scalar]) -> None:
        self._array = np.empty(0, dtype)

    def first(self, count: int) -> npt.NDArray[Scalar]:
        """Its first `count` elements, of any values."""
        if len(self._array) < count:
            self._array = np.empty(count, self._array.dtype)
        return self._array[:count]
