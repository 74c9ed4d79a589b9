"""The kinds of arrays that are passed around; samples are float64, time last."""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
BoolArray = npt.NDArray[np.bool_]
IndexArray = npt.NDArray[np.int64]
IntArray = npt.NDArray[np.int32]
