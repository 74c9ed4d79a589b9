"""The chunks of a RIFF-family file (WAV, RF64, BW64, AIFF), byte for byte, and the bext chunk among them.

Libraries mend damaged headers silently and read fewer samples than the file holds, or more than it should;
this scan only looks, so that declared and present bytes can be compared.
Layouts: RIFF/WAVE (Microsoft 1991), RF64 (EBU Tech 3306), BW64 (ITU-R BS.2088), AIFF (Apple 1989).

The bext chunk of a Broadcast Wave file, version 2 (EBU Tech 3285), says where the audio starts, and what it is.
libsndfile writes it; python-soundfile does not offer its commands, so `_command` reaches through its private handle.
`works` proves the way on a small file first; where it fails, files are plain WAV without it.
"""

import functools
import io
import os
import struct
import unicodedata
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO

from premix.model.mix import PartMeasures

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
    """All chunks of a file up to the first that makes no sense; `size` is the file's own, in bytes.

    byte_order: '<' or '>', as `struct` writes it. declared: the size that the form's own header gives.
    """

    form: str
    byte_order: str
    declared: int
    size: int
    chunks: tuple[Chunk, ...]

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
    return ChunkScan(form, order, declared, size, tuple(_walk(file, order, size)))


def find_chunk(file: BinaryIO, name: bytes) -> Chunk | None:
    """The first chunk of this name in an open file; None where it has none, or is not of the RIFF family."""
    scan = scan_chunks(file)
    return scan.find(name) if scan is not None else None


def read_body(file: BinaryIO, chunk: Chunk) -> bytes:
    """The first bytes of a chunk's body, as many as are there, at most 65536."""
    file.seek(chunk.offset)
    return file.read(min(chunk.size, 65536))


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
LARGEST_LOUDNESS = 99.99
"""What EBU Tech 3285 puts in a loudness field that holds no value."""

_SET_BROADCAST_INFO, _SET_ADD_PEAK_CHUNK = 0x10F1, 0x1050  # SFC_... of sndfile.h
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
    texts = (fields.description, fields.originator, fields.originator_reference, fields.date, fields.time)
    heads = [_ascii(text, size) for text, size in zip(texts, (256, 32, 32, 10, 8), strict=True)]
    time = fields.time_reference & 0xFFFFFFFF, fields.time_reference >> 32
    history = _ascii(fields.coding_history, 8192)
    packed = struct.pack(_C_STRUCT, *heads, *time, 2, b"", *[NOT_MEASURED] * 5, b"", len(history))
    return _command(file, _SET_BROADCAST_INFO, packed + history.ljust(256, b"\0"))


def without_peak_chunk(file: Any) -> None:
    """Keep an open file without a PEAK chunk: it holds the time of writing, and a rerun shall give the same bytes."""
    _command(file, _SET_ADD_PEAK_CHUNK, b"")


def _command(file: Any, number: int, data: bytes) -> bool:
    """sf_command of libsndfile; False where it, or this soundfile, does not do it."""
    import soundfile

    try:
        return bool(soundfile._snd.sf_command(file._file, number, soundfile._ffi.from_buffer(data), len(data)))
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
    chunk = find_chunk(memory, b"bext")
    read = read_bext(read_body(memory, chunk)) if done and chunk is not None else None
    return read is not None and replace(read, coding_history="") == given


def patch_loudness(path: Path, measures: PartMeasures) -> bool:
    """Write the loudness fields of a closed file, in place; False where it has no bext chunk.

    Each field holds 100 times the value, rounded; None and values beyond +-99.99, which EBU Tech 3285 v2 allows (from
    memory), become 'not measured'.
    """
    m = measures
    values = m.loudness_lufs, m.loudness_range_lu, m.true_peak_dbtp, m.momentary_max_lufs, m.short_term_max_lufs
    with path.open("r+b") as file:
        chunk = find_chunk(file, b"bext")
        if chunk is None or chunk.size < _LOUDNESS_OFFSET + 10:
            return False
        file.seek(chunk.offset + _LOUDNESS_OFFSET)
        # NaN fails the comparison too.
        hundredths = [
            round(100.0 * v) if v is not None and abs(v) <= LARGEST_LOUDNESS else NOT_MEASURED for v in values
        ]
        file.write(struct.pack("<5h", *hundredths))
    return True


def _text(field: bytes) -> str:
    return field.split(b"\0")[0].decode("ascii", "replace").strip()


def _ascii(text: str, size: int) -> bytes:
    """Text as ASCII of at most `size` bytes; a letter with an accent loses it, what is left becomes '?'."""
    plain = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return plain.encode("ascii", "replace")[:size]
