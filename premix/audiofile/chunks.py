"""The chunks of a RIFF-family file (WAV, RF64, BW64, AIFF): what its header declares, byte for byte.

Libraries mend damaged headers silently and read fewer samples than the file holds, or more than it should;
this scan only looks, so that declared and present bytes can be compared.
Layouts: RIFF/WAVE (Microsoft 1991), RF64 (EBU Tech 3306), BW64 (ITU-R BS.2088), AIFF (Apple 1989).
"""

import os
import struct
from dataclasses import dataclass
from typing import BinaryIO

UNKNOWN_SIZE = 0xFFFFFFFF
"""A size field that says 'not known yet' (or, in RF64, 'see the ds64 chunk')."""

_FORMS = {b"RIFF": b"WAVE", b"RIFX": b"WAVE", b"RF64": b"WAVE", b"BW64": b"WAVE", b"FORM": b"AIF"}
_MOST_CHUNKS = 4096  # a damaged file must not keep the scan busy


@dataclass(frozen=True, slots=True)
class Chunk:
    """One chunk: its four-letter name, where its body starts, and how long it says it is, in bytes."""

    name: bytes
    offset: int
    size: int


@dataclass(frozen=True, slots=True)
class ChunkScan:
    """All chunks of a file up to the first that makes no sense; `size` is the file's own, in bytes."""

    form: str
    declared: int
    size: int
    chunks: tuple[Chunk, ...]

    @property
    def byte_order(self) -> str:
        """'<' or '>', as `struct` writes it."""
        return ">" if self.form in ("RIFX", "FORM") else "<"

    @property
    def is_wave(self) -> bool:
        return self.form != "FORM"

    def find(self, name: bytes) -> Chunk | None:
        """The first chunk of this name."""
        return next((c for c in self.chunks if c.name == name), None)

    def present(self, chunk: Chunk) -> int:
        """Bytes from the chunk's start to the end of the file, whatever the chunk declares."""
        return max(0, self.size - chunk.offset)


def scan_chunks(file: BinaryIO) -> ChunkScan | None:
    """Walk the chunks of an open file; None when it is not of the RIFF family."""
    size = file.seek(0, os.SEEK_END)
    file.seek(0)
    head = file.read(12)
    if len(head) < 12 or not head[8:12].startswith(_FORMS.get(head[:4], b"\xff")):
        return None
    form = head[:4].decode("ascii")
    order = ">" if form in ("RIFX", "FORM") else "<"
    (declared,) = struct.unpack(order + "I", head[4:8])
    return ChunkScan(form, declared, size, tuple(_walk(file, order, size)))


def read_body(file: BinaryIO, chunk: Chunk, limit: int = 65536) -> bytes:
    """The first bytes of a chunk's body, as many as are there, at most `limit`."""
    file.seek(chunk.offset)
    return file.read(min(chunk.size, limit))


def _walk(file: BinaryIO, order: str, size: int) -> list[Chunk]:
    chunks: list[Chunk] = []
    position, long_data = 12, None
    while position + 8 <= size and len(chunks) < _MOST_CHUNKS:
        file.seek(position)
        name, length = struct.unpack(order + "4sI", file.read(8))
        if not name.isascii() or not name.decode("ascii").isprintable():
            break
        if name == b"ds64" and length >= 24:
            long_data = struct.unpack("<QQQ", file.read(24).ljust(24, b"\0"))[1]
        if name == b"data" and length == UNKNOWN_SIZE and long_data is not None:
            length = long_data
        chunks.append(Chunk(name, position + 8, length))
        if name == b"data" and length in (0, UNKNOWN_SIZE):
            break  # never finalised: what follows is sound, not chunks
        position += 8 + length + (length & 1)
    return chunks
