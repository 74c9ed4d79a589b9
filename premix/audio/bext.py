"""The chunks of a RIFF-family file (WAV, RF64, BW64, AIFF): what its header declares, byte for byte.

Libraries mend damaged headers silently and read fewer samples than the file holds, or more than it should;
this scan only looks, so that declared and present bytes can be compared.
Layouts: RIFF/WAVE (Microsoft 1991), RF64 (EBU Tech 3306), BW64 (ITU-R BS.2088), AIFF (Apple 1989).

The bext chunk of a Broadcast Wave file, version 2 (EBU Tech 3285): where the audio starts, and what it is.

libsndfile writes the chunk; python-soundfile does not offer that call, so `set_bext` reaches through its
private handle. `works` proves the way on a small file first; where it fails, files are plain WAV without it.
"""

import functools
import io
import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

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


NOT_MEASURED = 0x7FFF
"""What EBU Tech 3285 puts in a loudness field that holds no value."""

_SET_BROADCAST_INFO = 0x10F1  # SFC_SET_BROADCAST_INFO of sndfile.h
_HEAD = "<256s32s32s10s8sQH"  # description to version, as in the file
_C_STRUCT = "=256s32s32s10s8s2xIIh64s5h180sI"  # SF_BROADCAST_INFO of sndfile.h, padded after the time
_LOUDNESS_OFFSET = 412  # of LoudnessValue in the chunk's body


@dataclass(frozen=True, slots=True)
class BextFields:
    """What is written into the chunk; text is cut to the standard's lengths and kept to ASCII.

    time_reference: the file's first sample, in samples since midnight. date: yyyy-mm-dd, time: hh:mm:ss, both
    '' where unknown. coding_history: lines of EBU R 98, without the last one, which libsndfile adds.
    """

    description: str = ""
    originator: str = "premix"
    originator_reference: str = ""
    date: str = ""
    time: str = ""
    time_reference: int = 0
    coding_history: str = ""


def read_bext(body: bytes) -> BextFields | None:
    """The fields of a chunk's body; None where it is too short to be one."""
    size = struct.calcsize(_HEAD)
    if len(body) < size:
        return None
    *texts, reference, _version = struct.unpack(_HEAD, body[:size])
    description, originator, code, date, time = (_text(t) for t in texts)
    return BextFields(description, originator, code, date, time, reference, _text(body[602:]))


def set_bext(file: Any, fields: BextFields) -> bool:
    """Give an open soundfile.SoundFile (WAV or RF64, nothing written yet) its chunk; True: done."""
    import soundfile

    history = _ascii(fields.coding_history, 8192)
    packed = struct.pack(
        _C_STRUCT,
        _ascii(fields.description, 256),
        _ascii(fields.originator, 32),
        _ascii(fields.originator_reference, 32),
        _ascii(fields.date, 10),
        _ascii(fields.time, 8),
        fields.time_reference & 0xFFFFFFFF,
        fields.time_reference >> 32,
        2,
        b"",
        *[NOT_MEASURED] * 5,
        b"",
        len(history),
    ) + history.ljust(256, b"\0")
    try:
        buffer = soundfile._ffi.from_buffer(packed)
        return bool(soundfile._snd.sf_command(file._file, _SET_BROADCAST_INFO, buffer, len(packed)))
    except (AttributeError, TypeError):
        return False


@functools.cache
def works() -> bool:
    """Whether this soundfile writes a bext chunk that reads back as it was given."""
    import soundfile

    given = BextFields("test", date="2000-01-02", time="03:04:05", time_reference=(1 << 33) + 7)
    memory = io.BytesIO()
    with soundfile.SoundFile(memory, "w", 48000, 1, "PCM_24", format="WAV") as file:
        done = set_bext(file, given)
    scan = scan_chunks(memory)
    chunk = scan.find(b"bext") if scan is not None else None
    if not done or chunk is None:
        return False
    read = read_bext(memory.getvalue()[chunk.offset : chunk.offset + chunk.size])
    return read is not None and (read.description, read.date, read.time, read.time_reference) == (
        given.description,
        given.date,
        given.time,
        given.time_reference,
    )


def patch_loudness(
    path: Path,
    *,
    loudness_lufs: float | None = None,
    range_lu: float | None = None,
    true_peak_dbtp: float | None = None,
    momentary_lufs: float | None = None,
    short_term_lufs: float | None = None,
) -> bool:
    """Write the loudness fields of a closed file, in place; False where it has no bext chunk.

    Each field holds 100 times the value, rounded; None and values that do not fit become 'not measured'.
    """
    values = (loudness_lufs, range_lu, true_peak_dbtp, momentary_lufs, short_term_lufs)
    with path.open("r+b") as file:
        scan = scan_chunks(file)
        chunk = scan.find(b"bext") if scan is not None else None
        if chunk is None or chunk.size < _LOUDNESS_OFFSET + 10:
            return False
        file.seek(chunk.offset + _LOUDNESS_OFFSET)
        file.write(struct.pack("<5h", *(_hundredths(v) for v in values)))
    return True


def _hundredths(value: float | None) -> int:
    if value is None or not abs(value) < 327.0:  # NaN fails the comparison too
        return NOT_MEASURED
    return round(100.0 * value)


def _text(field: bytes) -> str:
    return field.split(b"\0")[0].decode("ascii", "replace").strip()


def _ascii(text: str, size: int) -> bytes:
    """Text as ASCII of at most `size` bytes; a letter with an accent loses it, what is left becomes '?'."""
    import unicodedata

    plain = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return plain.encode("ascii", "replace")[:size]
