"""Samples as bytes: linear PCM and float, little-endian, interleaved, to and from numpy.

These bytes are what WAV holds and what every sample hash is taken of, whatever the container.
24-bit samples are reached through an overlapping int32 view, three bytes a step: no byte is copied twice.
"""

import numpy as np
import numpy.typing as npt

from premix.dsp.thread_array import ThreadArray

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int32]
ByteArray = npt.NDArray[np.uint8]

BYTES = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
"""Bytes a sample of the linear subtypes; every other subtype is hashed as 64-bit float."""

_DTYPES = {"PCM_16": "<i2", "PCM_32": "<i4", "FLOAT": "<f4", "DOUBLE": "<f8"}
_SCALE_32 = 2.0**-31
_SCALES = {"PCM_16": 2.0**-15, "PCM_32": _SCALE_32, "FLOAT": 1.0, "DOUBLE": 1.0}
_INTS = ThreadArray(np.int32)
SPARE = 1
"""Bytes a buffer must have beyond its samples for the overlapping view."""


def unpack(raw: ByteArray, subtype: str, channels: int, channel: int, out: FloatArray) -> None:
    """One channel of the interleaved frames at the start of `raw` as float64 in [-1, 1), exact.

    raw: at least len(out) frames and SPARE bytes.
    """
    count = len(out)
    if subtype == "PCM_24":
        view = np.ndarray(count, "<i4", raw, 3 * channel, (3 * channels,))
        ints = _INTS.first(count)
        np.left_shift(view, 8, out=ints)  # the fourth byte belongs to the next sample: shifted out
        np.multiply(ints, _SCALE_32, out=out)
        return
    view = np.frombuffer(raw, _DTYPES[subtype], count * channels)
    with np.errstate(invalid="ignore"):  # a NaN in a float file is passed on; it is counted later
        np.multiply(view[channel::channels], _SCALES[subtype], out=out)


def pack_24(ints: IntArray, raw: ByteArray) -> memoryview:
    """Interleaved 24-bit values (1-D, in the low three bytes of int32) as bytes in `raw`.

    raw: at least 3 len(ints) + SPARE bytes. Each store writes four bytes, the next overwrites the fourth.
    """
    np.ndarray(len(ints), "<i4", raw, 0, (3,))[:] = ints
    return raw.data[: 3 * len(ints)]


def left_justified_bytes(values: npt.NDArray[np.generic], subtype: str) -> bytes | memoryview:
    """Frames as soundfile decodes them (int32 left-justified, or float64) as bytes at their own depth."""
    flat = values.reshape(-1)
    if subtype == "PCM_16":
        return (flat.astype(np.int32) >> 16).astype("<i2").tobytes()
    if subtype == "PCM_24":
        return pack_24(flat.astype(np.int32) >> 8, np.empty(3 * len(flat) + SPARE, np.uint8))
    return flat.astype(_DTYPES.get(subtype, "<f8")).tobytes()
