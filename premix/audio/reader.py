"""Tracks as samples on the song's common time line, and the hash of a file's samples.

Where the samples come from is a `Source`: straight from the bytes of a linear WAV, or decoded by soundfile, which give
the same values; or converted from another rate. A source only knows frames inside its file.
"""

import hashlib
import math
from collections.abc import Iterator
from contextlib import AbstractContextManager, closing
from dataclasses import replace
from io import FileIO
from pathlib import Path

import numpy as np
import numpy.typing as npt

from premix.arrays import FloatArray, ThreadArray
from premix.audio.headers import file_error, open_decoder, unreadable
from premix.audio.samples import BYTES, SPARE, left_justified_bytes, unpack
from premix.errors import TracksError
from premix.model.tracks import AudioHeader, Track

_PIECE = 65536  # frames read at once where samples are only hashed


class TrackReader(AbstractContextManager["TrackReader"]):
    """One track, read block by block.

    hash_samples: also hash every sample of the file, once, in order, whatever blocks are asked for
    (requests must then never go back by more than the block before).
    """

    def __init__(self, track: Track, *, hash_samples: bool = False) -> None:
        self.track = track
        self._frames = track.length
        rate = track.converted_to
        self._source = open_source(track.header) if rate is None else ConvertedSource(track.header, rate)
        self._hashes_file = hash_samples and rate is not None
        self._digest = hashlib.sha256() if hash_samples and rate is None else None
        self._hashed = 0

    def __exit__(self, *error: object) -> None:
        self.close()

    def close(self) -> None:
        self._source.close()

    def read(self, start: int, out: FloatArray) -> None:
        """Fill `out` (n,) with samples start to start + n of the common time line, zeros outside the file.

        start may be negative. Raises TracksError where the file turns out to be damaged.
        """
        first = start - self.track.start
        begin, end = max(first, 0), min(first + len(out), self._frames)
        if begin >= end:
            out[:] = 0.0
            return
        out[: begin - first] = 0.0
        out[end - first :] = 0.0
        if self._digest is not None and begin > self._hashed:
            self._hash_up_to(begin)
        self._source.load(begin, end - begin)
        self._take(out[begin - first : end - first])
        self._hash_loaded(begin, end)

    def _take(self, out: FloatArray) -> None:
        """The loaded frames of the track's channel, or the mean of all channels."""
        if self.track.channel is not None:
            self._source.take(self.track.channel, out)
            return
        channels = self.track.header.channels
        self._source.take(0, out)
        other = np.empty_like(out)
        for channel in range(1, channels):
            self._source.take(channel, other)
            out += other
        out /= channels

    def sha256(self) -> str:
        """Hash of all samples of the file as little-endian bytes at its own bit depth, interleaved.

        Reads what was not read yet; only with hash_samples.
        """
        if self._hashes_file:
            with TrackReader(replace(self.track, start=0, converted_to=None), hash_samples=True) as reader:
                return reader.sha256()
        if self._digest is None:
            raise ValueError("this reader was made without hash_samples")
        self._hash_up_to(self._frames)
        return self._digest.hexdigest()

    def _hash_loaded(self, begin: int, end: int) -> None:
        if self._digest is not None and begin <= self._hashed < end:
            self._digest.update(self._source.raw(self._hashed - begin, end - self._hashed))
            self._hashed = end

    def _hash_up_to(self, frame: int) -> None:
        while self._hashed < frame:
            begin, end = self._hashed, min(self._hashed + _PIECE, frame)
            self._source.load(begin, end - begin)
            self._hash_loaded(begin, end)


def sample_hash(header: AudioHeader) -> str:
    """Hash of a file's samples, as `TrackReader.sha256` gives it. TracksError where the file is damaged."""
    with TrackReader(Track("", "", header), hash_samples=True) as reader:
        return reader.sha256()


def read_blocks(header: AudioHeader, frames: int = _PIECE) -> Iterator[FloatArray]:
    """All samples of a file by themselves, in blocks (channels, at most `frames`), each an array of its own.

    TracksError where the file turns out to be damaged.
    """
    with closing(open_source(header)) as source:
        for begin in range(0, header.frames, frames):
            block = np.empty((header.channels, min(frames, header.frames - begin)))
            source.load(begin, block.shape[1])
            for channel, samples in enumerate(block):
                source.take(channel, samples)
            yield block


def first_difference(header: AudioHeader) -> int | None:
    """First frame at which the two channels of a stereo file differ, None where they are equal."""
    for index, (left, right) in enumerate(read_blocks(header)):
        if not np.array_equal(left, right, equal_nan=True):
            return index * _PIECE + int(np.argmax(left != right))
    return None


_BYTES = ThreadArray(np.uint8)


class LinearSource:
    """Samples of a linear little-endian WAV, RF64 or BW64.

    A source gives random access to the frames of its file, fast when each request starts inside or right after the
    one before.
    """

    def __init__(self, header: AudioHeader, data_offset: int) -> None:
        self._header, self._data_offset = header, data_offset
        self._frame_bytes = BYTES[header.subtype] * header.channels
        self._file = _open(header.path)
        self._loaded = _BYTES.first(SPARE)

    def load(self, first: int, count: int) -> None:
        """Get frames first to first + count of the file; they must be inside it.

        They are there until the calling thread loads anything else, from any source.
        """
        size = count * self._frame_bytes
        self._loaded = _BYTES.first(size + SPARE)
        self._file.seek(self._data_offset + first * self._frame_bytes)
        wanted, got = self._loaded.data[:size], 0
        while got < size:
            read = self._file.readinto(wanted[got:])
            if not read:
                raise _stops(self._header, first + got // self._frame_bytes)
            got += read

    def take(self, channel: int, out: FloatArray) -> None:
        """One channel of the loaded frames as float64, from the first on."""
        unpack(self._loaded, self._header.subtype, self._header.channels, channel, out)

    def raw(self, offset: int, count: int) -> memoryview:
        """Loaded frames as little-endian bytes at the file's own depth, interleaved over all channels."""
        return self._loaded.data[offset * self._frame_bytes : (offset + count) * self._frame_bytes]

    def close(self) -> None:
        self._file.close()


class DecodedSource:
    """The same of any other format. The last frames are kept, so that overlapping requests need no seek:
    a seek in FLAC decodes up to 4096 frames again."""

    def __init__(self, header: AudioHeader) -> None:
        self._header = header
        _open(header.path).close()  # for the clearer message
        try:
            self._file = open_decoder(header.path, header.patches)
        except RuntimeError as error:
            raise file_error("damaged-header", header.path, f"its header cannot be read ({error})") from None
        self._dtype = "int32" if header.subtype in ("PCM_16", "PCM_24", "PCM_32") else "float64"
        self._frames: npt.NDArray[np.generic] = np.empty((0, header.channels), self._dtype)
        self._first = self._loaded = self._position = 0

    def load(self, first: int, count: int) -> None:
        end = self._first + self._loaded
        kept = min(end - first, count) if self._first <= first < end else 0
        at = first - self._first
        again = self._frames[at : at + kept].copy()
        if len(self._frames) < count:
            self._frames = np.empty((count, self._header.channels), self._dtype)
        self._frames[:kept] = again
        self._first, self._loaded = first, count
        if kept < count:
            self._decode(first + kept, self._frames[kept:count])

    def take(self, channel: int, out: FloatArray) -> None:
        scale = 2.0**-31 if self._dtype == "int32" else 1.0
        with np.errstate(invalid="ignore"):  # a NaN in a float file is passed on; it is counted later
            np.multiply(self._frames[: len(out), channel], scale, out=out)

    def raw(self, offset: int, count: int) -> bytes | memoryview:
        return left_justified_bytes(self._frames[offset : offset + count], self._header.subtype)

    def close(self) -> None:
        self._file.close()

    def _decode(self, first: int, out: npt.NDArray[np.generic]) -> None:
        try:
            if first != self._position:
                self._file.seek(first)
            got = len(self._file.read(out=out))
        except (RuntimeError, AssertionError):
            raise _stops(self._header, self._position) from None
        self._position = first + got
        if got < len(out):
            raise _stops(self._header, first + got)


class ConvertedSource:
    """The same of a file at another rate: soxr at its very high quality, no delay.

    It is converted second by second, each with as much of its neighbours as the filter reaches (and more), so that any
    stretch has the same samples whatever was asked for before it.
    """

    def __init__(self, header: AudioHeader, rate: int) -> None:
        self._header, self._rate = header, rate
        shared = math.gcd(header.rate, rate)
        margins = -(-shared * _MARGIN_MS // 1000)  # in steps that are whole frames at both rates
        self._margin_in, self._margin_out = margins * header.rate // shared, margins * rate // shared
        self._source = open_source(header)
        self._seconds: dict[int, FloatArray] = {}
        self._loaded = np.empty((header.channels, 0))

    def load(self, first: int, count: int) -> None:
        wanted = range(first // self._rate, (first + count - 1) // self._rate + 1)
        self._seconds = {k: self._seconds[k] if k in self._seconds else self._second(k) for k in wanted}
        joined = np.concatenate(list(self._seconds.values()), axis=1)
        at = first - wanted[0] * self._rate
        self._loaded = joined[:, at : at + count]

    def take(self, channel: int, out: FloatArray) -> None:
        out[:] = self._loaded[channel, : len(out)]

    def raw(self, offset: int, count: int) -> bytes:
        raise ValueError("a converted file's own samples are not here")

    def close(self) -> None:
        self._source.close()

    def _second(self, number: int) -> FloatArray:
        """One second of all channels, (channels, rate)."""
        import soxr

        own = self._header.rate
        begin, end = number * own - self._margin_in, (number + 1) * own + self._margin_in
        first, last = max(0, begin), min(end, self._header.frames)
        samples = np.zeros((self._header.channels, end - begin))
        self._source.load(first, last - first)
        for channel, row in enumerate(samples):
            self._source.take(channel, row[first - begin : last - begin])
        made = soxr.resample(np.ascontiguousarray(samples.T), own, self._rate, quality="VHQ").T
        second: FloatArray = made[:, self._margin_out : self._margin_out + self._rate]
        return second


_MARGIN_MS = 100
"""Far more than the filter reaches: some hundred samples of the lower rate."""
Source = LinearSource | DecodedSource | ConvertedSource


def open_source(header: AudioHeader) -> LinearSource | DecodedSource:
    """The fitting source of a file whose header was read; TracksError when it cannot be opened any more."""
    return DecodedSource(header) if header.data_offset is None else LinearSource(header, header.data_offset)


def _open(path: Path) -> FileIO:
    try:
        return path.open("rb", buffering=0)
    except OSError as error:
        raise unreadable(path, error) from None


def _stops(header: AudioHeader, frame: int) -> TracksError:
    what = f"its samples end or are damaged at frame {frame} of {header.frames}"
    return file_error("damaged-samples", header.path, what)
