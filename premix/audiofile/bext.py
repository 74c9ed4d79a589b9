"""The bext chunk of a Broadcast Wave file, version 2 (EBU Tech 3285): where the audio starts, and what it is.

libsndfile writes the chunk; python-soundfile does not offer that call, so `set_bext` reaches through its
private handle. `works` proves the way on a small file first; where it fails, files are plain WAV without it.
"""

import functools
import io
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from premix.audiofile.chunks import scan_chunks

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
        _C_STRUCT, _ascii(fields.description, 256), _ascii(fields.originator, 32),
        _ascii(fields.originator_reference, 32), _ascii(fields.date, 10), _ascii(fields.time, 8),
        fields.time_reference & 0xFFFFFFFF, fields.time_reference >> 32, 2, b"",
        *[NOT_MEASURED] * 5, b"", len(history),
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
        given.description, given.date, given.time, given.time_reference
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
