"""The kinds of arrays that are passed around (samples are float64, time last), and scratch arrays of a thread."""

import threading
from typing import Generic, TypeVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
SingleArray = npt.NDArray[np.float32]
HalfArray = npt.NDArray[np.float16]
BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.int64]
IntArray = npt.NDArray[np.int32]

Scalar = TypeVar("Scalar", bound=np.generic)


class ThreadArray(threading.local, Generic[Scalar]):
    """One growing array a thread, for what lives only within one call: it is lost when the same thread asks again.

    A mix runs tens of tracks through the same steps. With an array each, every step would write to memory that has
    left the processor's cache; with the thread's own array, the next track finds it there.
    """

    def __init__(self, dtype: type[Scalar]) -> None:
        self._array = np.empty(0, dtype)

    def first(self, count: int) -> npt.NDArray[Scalar]:
        """Its first `count` elements, of any values."""
        if len(self._array) < count:
            self._array = np.empty(count, self._array.dtype)
        return self._array[:count]
