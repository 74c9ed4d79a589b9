"""Samples as bytes: linear PCM and float, little-endian, interleaved, to and from numpy.

These bytes are what WAV holds and what every sample hash is taken of, whatever the container.
24-bit samples are reached through an overlapping int32 view, three bytes a step: no byte is copied twice.

From 64-bit floats to the samples of a file: dither, rounding, overs, and nothing that is not a number.

Rounding is to the nearest step, half to even. Dither is TPDF, two steps wide, from two uniform numbers a
sample (Lipshitz, Wannamaker and Vanderkooy, "Quantization and Dither", J. Audio Eng. Soc. 40 (5), 1992).
"""

import numpy as np
import numpy.typing as npt

from premix.arrays import FloatArray, IntArray
from premix.errors import PremixError
from premix.threads import ThreadArray

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


class NotFiniteError(PremixError):
    """A NaN or an infinity reached the quantiser; `frame` counts from the start of the file."""

    def __init__(self, frame: int) -> None:
        super().__init__(f"not a finite number at frame {frame}")
        self.frame = frame


_STEPS = ThreadArray(np.float64)
_LARGEST_FLOAT = float(np.finfo(np.float32).max)


class Quantiser:
    """Quantises one file's blocks in order.

    frames: so far. overs: samples beyond full scale, each held at full scale (never in float).
    peak: largest magnitude of the quantised samples, 1.0 is full scale (2^(bits-1) steps).
    The dither is the same for the same seed, whatever the blocks.
    """

    def __init__(self, bits: int, *, dither: bool = False, seed: int = 0) -> None:
        if bits not in (16, 24, 32):
            raise ValueError(f"bits must be 16, 24 or 32 (float), not {bits}")
        if dither and bits == 32:
            raise ValueError("float samples take no dither")
        self.bits, self.frames, self.overs, self.peak = bits, 0, 0, 0.0
        self._steps = 1.0 if bits == 32 else 2.0 ** (bits - 1)
        self._noise = np.random.default_rng(seed) if dither else None

    def integers(self, block: FloatArray) -> IntArray:
        """(channels, frames) float64 -> (frames, channels) int32 in steps of the file."""
        steps = self._stage(block)
        if self._noise is not None:
            pairs = self._noise.random((*steps.shape, 2))
            steps += pairs[..., 0]
            steps -= pairs[..., 1]
        np.rint(steps, out=steps)
        low, high = self._extremes(steps)
        if low < -self._steps or high > self._steps - 1:
            self.overs += int(np.count_nonzero((steps < -self._steps) | (steps > self._steps - 1)))
            np.clip(steps, -self._steps, self._steps - 1, out=steps)
            low, high = max(low, -self._steps), min(high, self._steps - 1)
        self._count(steps, low, high)
        return steps.astype(np.int32)

    def floats(self, block: FloatArray) -> npt.NDArray[np.float32]:
        """(channels, frames) float64 -> (frames, channels) float32, as they are; overs are only counted."""
        values = self._stage(block)
        low, high = self._extremes(values, _LARGEST_FLOAT)
        if low < -1.0 or high > 1.0:
            self.overs += int(np.count_nonzero(np.abs(values) > 1.0))
        self._count(values, low, high)
        return values.astype(np.float32)

    def _stage(self, block: FloatArray) -> FloatArray:
        """The block in steps, interleaved, in a scratch array."""
        channels, frames = block.shape
        steps = _STEPS.first(block.size).reshape(frames, channels)
        return np.multiply(block.T, self._steps, out=steps)

    def _extremes(self, values: FloatArray, most: float = np.finfo(np.float64).max) -> tuple[float, float]:
        """Lowest and highest value; minimum and maximum both pass NaN on, so this finds every bad sample.

        most: the largest magnitude the file's samples can hold as a finite number.
        """
        if values.size == 0:
            return 0.0, 0.0
        low, high = float(values.min()), float(values.max())
        if not (low >= -most and high <= most):
            good = (values >= -most) & (values <= most)
            raise NotFiniteError(self.frames + int(np.argmin(good.all(axis=1))))
        return low, high

    def _count(self, values: FloatArray, low: float, high: float) -> None:
        self.frames += len(values)
        self.peak = max(self.peak, -low / self._steps, high / self._steps)
