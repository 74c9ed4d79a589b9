"""Parts as files: quantised samples into WAV, RF64 or FLAC, with their hash."""

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Literal

import numpy as np
import numpy.typing as npt

from premix.audiofile.bext import BextFields
from premix.audiofile.quantise import NotFiniteError, Quantiser
from premix.audiofile.samples import SPARE, pack_24
from premix.audiofile.sinks import FlacSink, WavSink
from premix.dsp.thread_array import ThreadArray
from premix.errors import DeliveryError, Problem
from premix.messages.delivery import SLUGS

FloatArray = npt.NDArray[np.float64]
_PACKED = ThreadArray(np.uint8)


@dataclass(frozen=True, slots=True)
class WrittenSamples:
    """What went into a file.

    sha256: of the samples as little-endian bytes at the file's depth, interleaved. overs: samples beyond full
    scale. sample_peak: largest magnitude of the quantised samples, 1.0 is full scale.
    """

    sha256: str
    frames: int
    overs: int
    sample_peak: float


class PartWriter:
    """Writes one output file block by block; a context manager.

    frames: how many will be written; the container is chosen by it. bits: 16, 24, or 32 (float, WAV only).
    seed: of the dither. Leaving the context without `close` leaves an unfinished file behind.
    Raises DeliveryError where the disk is full or a sample is not a finite number.
    """

    def __init__(
        self,
        path: Path,
        *,
        rate: int,
        channels: int,
        frames: int,
        container: Literal["wav", "flac"] = "wav",
        bits: int = 24,
        dither: bool = False,
        seed: int = 0,
        bext: BextFields | None = None,
    ) -> None:
        self.path, self._rate, self._frames, self._bits = path, rate, frames, bits
        self._quantiser = Quantiser(bits, dither=dither, seed=seed)
        self._digest = hashlib.sha256()
        try:
            self._sink: WavSink | FlacSink = (
                WavSink(path, rate, channels, frames, bits, bext) if container == "wav"
                else FlacSink(path, rate, channels, frames, bits)
            )
        except OSError as error:
            raise storage_error(path, error) from None

    def __enter__(self) -> "PartWriter":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._sink.abandon()

    def write(self, block: FloatArray) -> None:
        """Append a block (channels, frames) of float64, full scale 1.0."""
        if block.size == 0:
            return
        try:
            if self._bits == 32:
                floats = self._quantiser.floats(block)
                self._append(floats.data.cast("B"), None)
            else:
                ints = self._quantiser.integers(block)
                self._append(self._bytes(ints), ints)
        except NotFiniteError as error:
            raise DeliveryError(Problem(
                "not-finite", self.path.stem,
                f"a sample at {error.frame / self._rate:.3f} s is not a number or infinite",
                remedy=SLUGS["not-finite"],
            )) from None
        except OSError as error:
            raise storage_error(self.path, error) from None

    def close(self) -> WrittenSamples:
        """Finish the file. Every announced frame must have been written."""
        done = self._quantiser
        if done.frames != self._frames:
            raise ValueError(f"{self.path.name}: {done.frames} frames written, {self._frames} announced")
        try:
            self._sink.close()
        except OSError as error:
            raise storage_error(self.path, error) from None
        return WrittenSamples(self._digest.hexdigest(), done.frames, done.overs, done.peak)

    def _append(self, raw: memoryview, ints: npt.NDArray[np.int32] | None) -> None:
        self._digest.update(raw)
        self._sink.append(raw, ints)

    def _bytes(self, ints: npt.NDArray[np.int32]) -> memoryview:
        flat = ints.reshape(-1)
        if self._bits == 16:
            return flat.astype("<i2").data.cast("B")
        return pack_24(flat, _PACKED.first(3 * len(flat) + SPARE))


def storage_error(path: Path, error: OSError) -> DeliveryError:
    """An operating system's refusal to write as a DeliveryError."""
    what = disk_full(error)
    slug = "disk-full" if what else "cannot-write"
    what = what or f"cannot be written ({error.strerror or error})"
    return DeliveryError(Problem(slug, os.fspath(path), what, remedy=SLUGS[slug]))


def disk_full(error: OSError) -> str:
    """In which way there is no room for more bytes; '' where that is not the reason."""
    import errno

    return {
        errno.ENOSPC: "the disk is full",
        errno.EDQUOT: "your share of the disk is used up",
        errno.EFBIG: "the system lets no file become this large",
    }.get(error.errno or 0, "")
