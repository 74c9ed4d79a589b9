"""Whether a header tells all that its file holds: what follows the declared samples must be chunks, or nothing.

A recorder that stops after it has written its lengths, and goes on recording, leaves a header that declares fewer
samples than are there; every library then reads the first part without a word. FLAC says its length once, at the
beginning, and each of its frames says its own place: the last one tells.

Layouts: RIFF/WAVE (Microsoft 1991), AIFF (Apple 1989), CAF (Apple Core Audio Format Specification), FLAC (RFC 9639:
streaminfo 8.2, frame header 9.1 with its CRC-8, frame footer 9.3 with its CRC-16). Of Wave64 the library itself goes by
what is there.
"""

import os
import re
import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from premix.audio.chunks import Chunk, ChunkScan, read_body

Patches = tuple[tuple[int, bytes], ...]
"""Positions in a file, and the bytes to be read there in place of its own."""

_KNOWN = frozenset(
    b"LIST INFO bext iXML axml aXML chna ubxt fact cue smpl inst JUNK junk PAD FLLR PEAK cart DISP levl _PMX id3 ID3 "
    b"MD5 umid acid strc regn minf elm1 LGWV afsp resu MARK COMT NAME AUTH (c) ANNO APPL AESD MIDI INST CHAN free info "
    b"strg mark edct uuid ovvw peak midi".split()
)
"""Names of chunks that come behind the samples; one of these may itself be cut off."""
_TAGS = (b"ID3", b"TAG", b"APE")
"""How tags begin that some programs put behind all chunks."""
_TAIL = 1 << 16


def unexplained(file: BinaryIO, scan: ChunkScan, samples: Chunk) -> int:
    """Bytes behind the declared samples of a RIFF-family file that are neither chunks nor zeros."""
    end = samples.offset + samples.size

    def head(at: int) -> tuple[bytes, int, int]:
        name, size = struct.unpack(scan.byte_order + "4sI", _bytes(file, at, 8))
        return name, 8, size + (size & 1)

    return min(_odd_bytes(file, start, scan.size, head, 8) for start in {end + (end & 1), end})


def unexplained_in_caf(file: BinaryIO, size: int) -> tuple[int, Chunk] | None:
    """The same of a CAF file, with its chunk of samples; None where it has none."""

    def head(at: int) -> tuple[bytes, int, int]:
        name, length = struct.unpack(">4sQ", _bytes(file, at, 12))
        return name, 12, length if length < 1 << 63 else size  # -1: to the end

    at = 8
    while at + 12 <= size:
        name, begin, length = head(at)
        if name == b"data":
            return _odd_bytes(file, at + begin + length, size, head, 12), Chunk(name, at + begin, length)
        at += begin + length
    return None


_Head = Callable[[int], tuple[bytes, int, int]]
"""Reads the head of a chunk: its name, the head's own length, and how far on the next chunk begins."""


def _odd_bytes(file: BinaryIO, at: int, size: int, head: _Head, shortest: int) -> int:
    """Bytes from `at` to the end, where those are no row of chunks, no chunk that is known, and not all zeros."""
    start = at
    while at + shortest <= size:
        name, begin, length = head(at)
        if name.rstrip() in _KNOWN or name.startswith(_TAGS):
            return 0
        if not _is_name(name) or at + begin + length > size + 1:
            return 0 if _only_zeros(file, at, size) else size - start
        at += begin + length
    return 0


def _is_name(name: bytes) -> bool:
    return all(0x20 <= byte < 0x7F for byte in name)


def _only_zeros(file: BinaryIO, at: int, size: int) -> bool:
    file.seek(at)
    while at < size:
        piece = file.read(min(1 << 20, size - at))
        if not piece or piece.count(0) < len(piece):
            return not piece
        at += len(piece)
    return True


def _bytes(file: BinaryIO, at: int, count: int) -> bytes:
    file.seek(at)
    return file.read(count)


@dataclass(frozen=True, slots=True)
class FlacLength:
    """declared: samples a channel that the header tells, 0 for none. there: where the last whole frame ends."""

    declared: int
    there: int


_TOTAL_AT = 18
"""Where the last 28 bits of the stream's properties and the 36 of its length begin."""


def flac_length(file: BinaryIO, size: int) -> FlacLength | None:
    """What a FLAC file says of its length at its beginning and at its end; None where it cannot be told."""
    head = _bytes(file, 0, 42)
    if len(head) < 42 or head[:4] != b"fLaC" or head[4] & 0x7F:
        return None
    largest_block, largest_frame = struct.unpack(">H", head[10:12])[0], int.from_bytes(head[15:18], "big")
    declared = int.from_bytes(head[_TOTAL_AT : _TOTAL_AT + 8], "big") & ((1 << 36) - 1)
    window = min(size, max(_TAIL, 3 * largest_frame))
    tail = _bytes(file, size - window, window)
    frames = [
        found for match in re.finditer(b"\xff[\xf8\xf9]", tail) if (found := _frame(tail, match.start(), largest_block))
    ]
    ends = [start for start, _ in frames]
    for number in range(len(frames) - 1, -1, -1):
        start, there = frames[number]
        if any(_crc16(tail[start:end]) == 0 for end in (len(tail), *ends[number + 1 : number + 2])):
            return FlacLength(declared, there)
    return None


def flac_patch(file: BinaryIO, total: int) -> Patches:
    """What makes a FLAC file's header declare so many samples."""
    value = int.from_bytes(_bytes(file, _TOTAL_AT, 8), "big") >> 36 << 36 | total
    return ((_TOTAL_AT, value.to_bytes(8, "big")),)


_BLOCKS = {1: 192, **{n: 576 << (n - 2) for n in range(2, 6)}, **{n: 256 << (n - 8) for n in range(8, 16)}}
"""Code in a frame's header -> samples in its block."""


def _frame(data: bytes, at: int, largest_block: int) -> tuple[int, int] | None:
    """Start of a frame's header there, and the sample behind the frame; None where it is no header."""
    try:
        block_code, rate_code = data[at + 2] >> 4, data[at + 2] & 15
        if block_code == 0 or rate_code == 15 or data[at + 3] & 1:
            return None
        position, number = _coded_number(data, at + 4)
        block = _BLOCKS.get(block_code, 0)
        if not block:  # 6 and 7: in the next byte, or two
            block = int.from_bytes(data[position : position + block_code - 5], "big") + 1
            position += block_code - 5
        position += {12: 1, 13: 2, 14: 2}.get(rate_code, 0)
        if _crc8(data[at:position]) != data[position]:
            return None
    except (IndexError, ValueError):
        return None
    first = number if data[at + 1] & 1 else number * largest_block
    return at, first + int(block)


def _coded_number(data: bytes, at: int) -> tuple[int, int]:
    """Position behind, and value of, a number coded as UTF-8 is, up to 36 bits. ValueError where it is none."""
    lead = data[at]
    if lead < 0x80:
        return at + 1, lead
    more = 8 - (lead ^ 0xFF).bit_length() - 1
    if not 1 <= more <= 6:
        raise ValueError("no such lead")
    value = lead & ((1 << (6 - more)) - 1)
    for byte in data[at + 1 : at + 1 + more]:
        if byte >> 6 != 2:
            raise ValueError("no such byte")
        value = value << 6 | byte & 0x3F
    return at + 1 + more, value


def _table(polynomial: int, bits: int) -> tuple[int, ...]:
    top, mask = 1 << (bits - 1), (1 << bits) - 1
    rows = []
    for byte in range(256):
        value = byte << (bits - 8)
        for _ in range(8):
            value = (value << 1 ^ (polynomial if value & top else 0)) & mask
        rows.append(value)
    return tuple(rows)


_CRC8, _CRC16 = _table(0x07, 8), _table(0x8005, 16)


def _crc8(data: bytes) -> int:
    value = 0
    for byte in data:
        value = _CRC8[value ^ byte]
    return value


def _crc16(data: bytes) -> int:
    value = 0
    for byte in data:
        value = (value << 8 & 0xFFFF) ^ _CRC16[value >> 8 ^ byte]
    return value


def size_patches(file: BinaryIO, scan: ChunkScan, samples: Chunk) -> Patches:
    """What makes a RIFF-family file's header declare all samples up to its end."""
    order, size = scan.byte_order, scan.present(samples)
    patches = [
        (4, struct.pack(order + "I", (scan.size - 8) & 0xFFFFFFFF)),
        (samples.offset - 4, struct.pack(order + "I", size)),
    ]
    common = scan.find(b"COMM")
    if common is not None:  # AIFF says its frames, too; the samples begin 8 bytes into their chunk
        channels, _, bits = struct.unpack(">HIH", read_body(file, common)[:8])
        frame_bytes = max(1, channels * -(-bits // 8))
        patches.append((common.offset + 2, struct.pack(">I", (size - 8) // frame_bytes)))
    return tuple(patches)


class PatchedFile:
    """A file for reading, as a decoder takes it, some of whose bytes are others than on the disk."""

    def __init__(self, path: Path, patches: Patches) -> None:
        self._handle = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
        self._patches, self._at = patches, 0
        self._size = os.fstat(self._handle).st_size

    def __del__(self) -> None:
        if hasattr(self, "_handle"):
            os.close(self._handle)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        self._at = offset + {os.SEEK_SET: 0, os.SEEK_CUR: self._at, os.SEEK_END: self._size}[whence]
        return self._at

    def tell(self) -> int:
        return self._at

    def read(self, count: int) -> bytes:
        os.lseek(self._handle, self._at, os.SEEK_SET)
        data = bytearray(os.read(self._handle, count))
        for position, content in self._patches:
            for index, byte in enumerate(content):
                if 0 <= position + index - self._at < len(data):
                    data[position + index - self._at] = byte
        self._at += len(data)
        return bytes(data)

    def write(self, data: bytes) -> int:
        raise OSError("this file is only read")
