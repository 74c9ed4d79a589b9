"""Samples of a file from and to 64-bit floats: linear PCM and float, little-endian, interleaved.

These bytes are what WAV holds and what every sample hash is taken of, whatever the container. 24-bit samples are
reached through an overlapping int32 view, three bytes a step: no byte is copied twice.

On the way out: dither, rounding, overs, and nothing that is not a number. Rounding is to the nearest step, half to
even. Dither is TPDF, two steps wide, from two uniform numbers a sample (Lipshitz, Wannamaker and Vanderkooy,
"Quantization and Dither", J. Audio Eng. Soc. 40 (5), 1992).
"""

import numpy as np
import numpy.typing as npt

from premix.arrays import FloatArray, IntArray, ThreadArray
from premix.errors import PremixError

ByteArray = npt.NDArray[np.uint8]

BYTES = {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
"""Bytes a sample of the linear subtypes; every other subtype is hashed as 64-bit float."""

_DTYPES = {"PCM_16": "<i2", "PCM_32": "<i4", "FLOAT": "<f4", "DOUBLE": "<f8"}
_SCALE_32 = 2.0**-31
_SCALES = {"PCM_16": 2.0**-15, "PCM_32": _SCALE_32, "FLOAT": 1.0, "DOUBLE": 1.0}
_INTS, _PACKED = ThreadArray(np.int32), ThreadArray(np.uint8)
LOUDEST = 1e6
"""Magnitude that no sample of a recording has: 120 dB above full scale."""
SPARE = 1
"""Bytes a buffer must have beyond its samples for the overlapping view."""


def impossible(samples: FloatArray) -> npt.NDArray[np.bool_]:
    """Which samples no recording holds: NaN, infinite ones, and those beyond `LOUDEST`."""
    return np.logical_not(np.abs(samples) <= LOUDEST)


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


def integer_bytes(ints: IntArray, bits: int) -> memoryview:
    """Interleaved values of 16 or 24 bits (in the low bytes of int32) as bytes, until the thread asks again."""
    flat = ints.reshape(-1)
    if bits == 16:
        return flat.astype("<i2").data.cast("B")
    raw = _PACKED.first(3 * len(flat) + SPARE)
    np.ndarray(len(flat), "<i4", raw, 0, (3,))[:] = flat  # each store writes four bytes, the next overwrites the fourth
    return raw.data[: 3 * len(flat)]


def left_justified_bytes(values: npt.NDArray[np.generic], subtype: str) -> bytes | memoryview:
    """Frames as soundfile decodes them (int32 left-justified, or float64) as bytes at their own depth."""
    if subtype in ("PCM_16", "PCM_24"):
        bits = 8 * BYTES[subtype]
        return integer_bytes(values.astype(np.int32) >> (32 - bits), bits)
    return values.astype(_DTYPES.get(subtype, "<f8")).tobytes()


class NotFiniteError(PremixError):
    """A NaN or an infinity reached the quantiser; `frame` counts from the start of the file."""

    def __init__(self, frame: int) -> None:
        super().__init__(f"not a finite number at frame {frame}")
        self.frame = frame


_STEPS = ThreadArray(np.float64)
_LARGEST, _LARGEST_FLOAT = float(np.finfo(np.float64).max), float(np.finfo(np.float32).max)


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
        self._take(steps, self._steps - 1, _LARGEST)
        return steps.astype(np.int32)

    def floats(self, block: FloatArray) -> npt.NDArray[np.float32]:
        """(channels, frames) float64 -> (frames, channels) float32, as they are; overs are only counted."""
        values = self._stage(block)
        self._take(values, 1.0, _LARGEST_FLOAT)
        return values.astype(np.float32)

    def _stage(self, block: FloatArray) -> FloatArray:
        """The block in steps, interleaved, in a scratch array."""
        channels, frames = block.shape
        steps = _STEPS.first(block.size).reshape(frames, channels)
        return np.multiply(block.T, self._steps, out=steps)

    def _take(self, values: FloatArray, top: float, most: float) -> None:
        """Count frames, overs and the peak; integers beyond full scale are brought to it.

        top: full scale upwards. most: the largest magnitude the file's samples can hold as a finite number.
        """
        if values.size == 0:
            return
        low, high = float(values.min()), float(values.max())  # both pass NaN on, so this finds every bad sample
        if not (low >= -most and high <= most):
            good = (values >= -most) & (values <= most)
            raise NotFiniteError(self.frames + int(np.argmin(good.all(axis=1))))
        if low < -self._steps or high > top:
            self.overs += int(np.count_nonzero((values < -self._steps) | (values > top)))
            if self.bits != 32:
                np.clip(values, -self._steps, top, out=values)
                low, high = max(low, -self._steps), min(high, top)
        self.frames += len(values)
        self.peak = max(self.peak, -low / self._steps, high / self._steps)
