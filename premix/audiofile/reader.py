"""Tracks as samples on the song's common time line, and the hash of a file's samples."""

import hashlib
from types import TracebackType

import numpy as np

from premix.audiofile.samples import FloatArray
from premix.audiofile.sources import open_source
from premix.model.tracks import AudioHeader, Track

_PIECE = 65536  # frames read at once where samples are only hashed


class TrackReader:
    """One track, read block by block; a context manager.

    hash_samples: also hash every sample of the file, once, in order, whatever blocks are asked for
    (requests must then never go back by more than the block before).
    """

    def __init__(self, track: Track, *, hash_samples: bool = False) -> None:
        self.track = track
        self._frames = track.header.frames
        self._source = open_source(track.header)
        self._digest = hashlib.sha256() if hash_samples else None
        self._hashed = 0

    def __enter__(self) -> "TrackReader":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
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
        self._source.take(self.track.channel, out[begin - first : end - first])
        self._hash_loaded(begin, end)

    def sha256(self) -> str:
        """Hash of all samples of the file as little-endian bytes at its own bit depth, interleaved.

        Reads what was not read yet; only with hash_samples.
        """
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


def first_difference(header: AudioHeader) -> int | None:
    """First frame at which the two channels of a stereo file differ, None where they are equal."""
    source = open_source(header)
    left, right = np.empty(_PIECE), np.empty(_PIECE)
    try:
        for begin in range(0, header.frames, _PIECE):
            count = min(_PIECE, header.frames - begin)
            source.load(begin, count)
            source.take(0, left[:count])
            source.take(1, right[:count])
            if not np.array_equal(left[:count], right[:count], equal_nan=True):
                return begin + int(np.argmax(left[:count] != right[:count]))
    finally:
        source.close()
    return None
