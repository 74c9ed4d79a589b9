"""Parts as files: quantised samples into WAV, RF64 or FLAC, with their hash.

soundfile's own conversion from float floors, clips silently and writes NaN as full scale, so the containers (`WavSink`,
`FlacSink`) are given finished integers (or 32-bit floats). A WAV is libsndfile's header, and then the bytes as they
were hashed.
"""

import errno
import hashlib
import os
import struct
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from premix.arrays import FloatArray, IntArray
from premix.audio.chunks import BextFields, ChunkScan, scan_chunks, set_bext, without_peak_chunk, works
from premix.audio.headers import open_decoder, soundfile_name
from premix.audio.ixml import IxmlFields, insert_ixml
from premix.audio.samples import NotFiniteError, Quantiser, integer_bytes
from premix.errors import DeliveryError, Problem


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


class PartWriter(AbstractContextManager["PartWriter"]):
    """Writes one output file block by block.

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
        ixml: IxmlFields | None = None,
    ) -> None:
        self.path, self._rate, self._frames, self._bits = path, rate, frames, bits
        self._quantiser = Quantiser(bits, dither=dither, seed=seed)
        self._digest = hashlib.sha256()
        self._sink: WavSink | FlacSink
        if container == "flac" and bits == 32:
            raise ValueError("FLAC holds no float samples")
        with _refusals_told(path):
            path.open("xb").close()  # never over an existing file; and the system's own words where it cannot be
            if container == "wav":
                self._sink = WavSink(path, rate, channels, frames, bits, bext, ixml)
            else:
                self._sink = FlacSink(path, rate, channels, frames, bits, bext)

    def __exit__(self, *error: object) -> None:
        self._sink.file.close()

    def write(self, block: FloatArray) -> None:
        """Append a block (channels, frames) of float64, full scale 1.0."""
        if block.size == 0:
            return
        try:
            with _refusals_told(self.path):
                ints = None if self._bits == 32 else self._quantiser.integers(block)
                raw = self._quantiser.floats(block).data.cast("B") if ints is None else integer_bytes(ints, self._bits)
                self._digest.update(raw)
                self._sink.append(raw, ints)
        except NotFiniteError as error:
            what = f"a sample at {error.frame / self._rate:.3f} s is not a number or infinite"
            raise DeliveryError(Problem("not-finite", self.path.stem, what)) from None

    def close(self) -> WrittenSamples:
        """Finish the file. Every announced frame must have been written."""
        done = self._quantiser
        if done.frames != self._frames:
            raise ValueError(f"{self.path.name}: {done.frames} frames written, {self._frames} announced")
        with _refusals_told(self.path):
            self._sink.close()
        return WrittenSamples(self._digest.hexdigest(), done.frames, done.overs, done.peak)


@contextmanager
def _refusals_told(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise storage_error(path, error) from None


def storage_error(path: Path, error: OSError) -> DeliveryError:
    """An operating system's refusal to write as a DeliveryError."""
    full = disk_full(error)
    what = full or f"cannot be written ({error.strerror or error})"
    return DeliveryError(Problem("disk-full" if full else "cannot-write", os.fspath(path), what))


def disk_full(error: OSError) -> str:
    """In which way there is no room for more bytes; '' where that is not the reason."""
    if error.errno is None and str(error).endswith("written"):  # numpy's tofile, which keeps the number back
        return "there is no room for more"
    return {
        errno.ENOSPC: "the disk is full",
        errno.EDQUOT: "your share of the disk is used up",
        errno.EFBIG: "the system lets no file become this large",
    }.get(error.errno or 0, "")


LARGEST_WAV = 4_000_000_000
"""Bytes of samples above which a WAV is written as RF64 (EBU Tech 3306); its own counter ends at 4.29e9."""


class WavSink:
    """A WAV (RF64 where it gets too long): libsndfile writes the header, the samples follow as bytes."""

    def __init__(
        self,
        path: Path,
        rate: int,
        channels: int,
        frames: int,
        bits: int,
        bext: BextFields | None,
        ixml: IxmlFields | None = None,
    ) -> None:
        self._frames = frames
        long = frames * channels * bits // 8 > LARGEST_WAV
        subtype = "FLOAT" if bits == 32 else f"PCM_{bits}"
        with _soundfile(path, rate, channels, subtype, "RF64" if long else "WAV") as file:
            without_peak_chunk(file)
            if bext is not None and works():
                set_bext(file, bext)
        if ixml is not None:
            insert_ixml(path, ixml)
        self.file = path.open("r+b", buffering=0)
        self.file.seek(0, 2)

    def append(self, raw: memoryview, ints: IntArray | None) -> None:
        while raw:
            raw = raw[self.file.write(raw) :]

    def close(self) -> None:
        """Pad to an even length and write the sizes into the header."""
        with self.file as file:
            scan = scan_chunks(file)
            data = scan.find(b"data") if scan is not None else None
            if scan is None or data is None:
                raise OSError(errno.EIO, "the header that was just written cannot be read back")
            if scan.present(data) % 2:
                file.seek(0, 2)
                file.write(b"\0")
            for offset, value in _sizes(scan, data.offset, self._frames).items():
                file.seek(offset)
                file.write(value)


class FlacSink:
    """A FLAC file; soundfile takes the integers left-justified in 32 bits. FLAC has no bext chunk: what it would say
    stands in the comments (RFC 9639, 8.6)."""

    def __init__(
        self, path: Path, rate: int, channels: int, frames: int, bits: int, bext: BextFields | None = None
    ) -> None:
        self._path, self._shift, self._frames = path, 32 - bits, frames
        self.file = _soundfile(path, rate, channels, f"PCM_{bits}", "FLAC")
        if bext is not None:
            start = f"start: sample {bext.time_reference} since midnight\n{bext.coding_history}"
            for name, text in (("title", bext.description), ("date", bext.date), ("comment", start.strip())):
                if text:  # libsndfile takes no empty ones
                    setattr(self.file, name, text)

    def append(self, raw: memoryview, ints: IntArray | None) -> None:
        assert ints is not None
        try:
            self.file.write(ints << self._shift)
        except (RuntimeError, AssertionError):  # soundfile asserts that all frames were taken
            raise OSError(errno.ENOSPC, "the file could not be written to the end") from None

    def close(self) -> None:
        """Finish; libsndfile says nothing when the last block does not reach the disk, so it is read back."""
        self.file.close()
        try:
            with open_decoder(self._path) as file:
                if self._frames:
                    file.seek(self._frames - 1)
                if len(file.read(1)) == min(1, self._frames):
                    return
        except (RuntimeError, AssertionError):
            pass
        raise OSError(errno.ENOSPC, "the end of the file did not reach the disk")


def _soundfile(path: Path, rate: int, channels: int, subtype: str, container: str) -> Any:
    import soundfile

    try:
        return soundfile.SoundFile(soundfile_name(path), "w", rate, channels, subtype, format=container)
    except RuntimeError as error:
        raise OSError(errno.EINVAL, str(error)) from None


def _sizes(scan: ChunkScan, data_offset: int, frames: int) -> dict[int, bytes]:
    """Position in the file -> bytes of every field of the header that depends on the length."""
    data = scan.size - data_offset
    whole = scan.size + data % 2 - 8
    fields: dict[int, bytes] = {}
    long, fact, peak = scan.find(b"ds64"), scan.find(b"fact"), scan.find(b"PEAK")
    if long is not None:
        fields[long.offset] = struct.pack("<QQQ", whole, data, frames)
    else:
        fields[4] = struct.pack("<I", whole)
        fields[data_offset - 4] = struct.pack("<I", data)
    if fact is not None:
        fields[fact.offset] = struct.pack("<I", frames)
    if peak is not None:  # libsndfile keeps it in RF64 even when told not to
        fields[peak.offset - 8] = b"PAD "
        fields[peak.offset] = bytes(peak.size)
    return fields
