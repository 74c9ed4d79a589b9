"""What a file says of itself, compared with what is there, before a sample of it is used.

Linear WAV, RF64 and BW64 are read from their own chunks; every other format through soundfile, which alone
would read a truncated or never finalised file without a word (0 frames, or fewer than were recorded).

`FORMATS` lists the formats tracks may have, by the first bytes of the file: one line a format. To add one that
libsndfile reads, add its line; everything else is refused before a library sees it. Lossy formats are left out on
purpose: their coding moves phase, which is what alignment measures.
"""

import contextlib
import os
import re
import struct
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, BinaryIO

from premix.audio.chunks import UNKNOWN_SIZE, Chunk, ChunkScan, read_bext, read_body, scan_chunks
from premix.audio.endings import (
    PatchedFile,
    Patches,
    flac_length,
    flac_patch,
    size_patches,
    unexplained,
    unexplained_in_caf,
)
from premix.audio.samples import BYTES
from premix.errors import Problem, TracksError
from premix.model.tracks import AudioHeader


@dataclass(frozen=True, slots=True)
class Format:
    """A format: its name, its first bytes, and the extensions it goes by."""

    name: str
    signature: bytes
    extensions: tuple[str, ...]


_WAV = (".wav", ".wave", ".bwf", ".rf64", ".bw64")

FORMATS = (
    Format("WAV", b"RIFF", _WAV),
    Format("WAV (big-endian)", b"RIFX", _WAV),
    Format("RF64", b"RF64", _WAV),
    Format("BW64", b"BW64", _WAV),
    Format("AIFF", b"FORM", (".aif", ".aiff", ".aifc")),
    Format("FLAC", b"fLaC", (".flac",)),
    Format("W64", b"riff\x2e\x91\xcf\x11", (".w64",)),
    Format("CAF", b"caff", (".caf",)),
)

NAMES = ", ".join(f.name for f in FORMATS if f.signature != b"RIFX")


def fits(container: str, extension: str) -> bool:
    """Whether a file of this container (as `AudioHeader` names it) may go by this extension, dot included."""
    return any(extension.lower() in f.extensions for f in FORMATS if f.name == container.removesuffix("EX"))


def soundfile_name(path: Path) -> str | bytes:
    """The path as soundfile opens it; as bytes where file names need not be Unicode."""
    return os.fsencode(path) if os.name == "posix" else str(path)


def open_decoder(path: Path, patches: Patches = ()) -> Any:
    """A soundfile.SoundFile that reads on from where it is. RuntimeError where it knows no such format.

    patches: bytes that are read in place of the file's own. soundfile itself sets the position again after every read;
    where a file is damaged, or of unknown length, that fails and loses the frames that were read. It leaves files
    alone that cannot seek.
    """
    import soundfile

    file = soundfile.SoundFile(PatchedFile(path, patches) if patches else soundfile_name(path))
    file.seekable = lambda: False
    return file


_LINEAR = {
    (1, 8): "PCM_U8",
    (1, 16): "PCM_16",
    (1, 24): "PCM_24",
    (1, 32): "PCM_32",
    (3, 32): "FLOAT",
    (3, 64): "DOUBLE",
}
_EXTENSIBLE = 0xFFFE
_BITS = re.compile(r"(?:PCM_[SU]?|ALAC_)(\d+)")
_RATES = range(8_000, 768_001)
_MOST_FRAMES = 1 << 40  # 265 days at 48 kHz: beyond it, the length field is damaged or was never filled in
_LATEST_START_S = 30 * 86_400  # a start is counted from midnight; a session that goes on for days may count on
_PIECE = 4096  # frames; one block of FLAC as most encoders make it
LARGEST_RIFF = UNKNOWN_SIZE + 8


def read_header(path: Path, *, recover: bool = False) -> AudioHeader:
    """Read and check one file's header.

    recover: accept a truncated, never finalised or over-long file and give the frames that are there.
    Raises TracksError with one Problem where the file is missing, empty, unreadable, damaged or no audio.
    """
    try:
        if path.exists() and not path.is_file():  # a folder, a device, or a pipe that would keep us waiting
            raise file_error("unreadable-file", path, "it is no file")
        with path.open("rb") as file:
            stamp = stamp_of(path)
            if stamp[0] == 0:
                raise file_error("empty-file", path, "the file is empty (0 bytes)")
            header = replace(_read(path, file, stamp[0], recover), stamp=stamp)
    except FileNotFoundError:
        raise file_error("missing-file", path, "there is no such file") from None
    except OSError as error:
        raise unreadable(path, error) from None
    except ValueError as error:  # a name that no file can have
        raise file_error("missing-file", path, f"no file can have this name ({error})") from None
    return _plausible(header)


def stamp_of(path: Path) -> tuple[int, ...]:
    """Size, times of the last change of its content and of the file itself, and inode: another file has another one."""
    status = path.stat()
    return status.st_size, status.st_mtime_ns, status.st_ctime_ns, status.st_ino


def _read(path: Path, file: BinaryIO, size: int, recover: bool) -> AudioHeader:
    head = file.read(24)
    found = next((f for f in FORMATS if head.startswith(f.signature)), None)
    if found is None:
        raise file_error("not-audio", path, "not an audio file of a format that is read", allowed=NAMES)
    scan = scan_chunks(file)
    if scan is not None:
        return _from_chunks(path, file, scan, recover)
    header = _from_library(path)
    if found.name == "W64":
        # It says its own size in 64 bits after the 16 of its name; soundfile reads a shorter one silently.
        (declared,) = struct.unpack("<Q", head[16:24])
        if declared > size and not recover:
            raise file_error("truncated-file", path, f"cut short: {declared} bytes declared, {size} there")
        if declared > size:
            return replace(header, recovered=True)
    if found.name == "CAF":
        return _caf(header, file, size, recover)
    return _flac(header, file, size, recover) if found.name == "FLAC" else header


def _flac(header: AudioHeader, file: BinaryIO, size: int, recover: bool) -> AudioHeader:
    """The header of a FLAC file, its length held against the place that the last frame tells of itself."""
    length = flac_length(file, size)
    longer = length is not None and 0 < length.declared < length.there
    if longer and not recover:
        assert length is not None
        raise _too_short(header.path, header.frames, length.there)
    if not recover:
        return header
    patches = flac_patch(file, length.there) if longer and length is not None else ()
    there = _decodable(header.path, patches)
    return replace(header, frames=there, recovered=there != header.frames, patches=patches)


def _caf(header: AudioHeader, file: BinaryIO, size: int, recover: bool) -> AudioHeader:
    """The header of a CAF file, whose chunk of samples must be followed by chunks only."""
    found = unexplained_in_caf(file, size)
    if found is None or found[0] == 0:
        return header
    patches = ((found[1].offset - 8, struct.pack(">Q", size - found[1].offset)),)
    whole = replace(_from_library(header.path, patches), recovered=True, patches=patches)
    if not recover:
        raise _too_short(header.path, header.frames, whole.frames)
    return whole


def _too_short(path: Path, declared: int, there: int) -> TracksError:
    what = f"its header declares {declared} frames, but {there} are there, and what follows is no chunk"
    return file_error("more-than-declared", path, what)


def _decodable(path: Path, patches: Patches = ()) -> int:
    """Frames that decode without an error; for a file whose header cannot be trusted."""
    total = 0
    with open_decoder(path, patches) as file, contextlib.suppress(RuntimeError):
        while count := len(file.read(_PIECE, dtype="int32", always_2d=True)):
            total += count
    return total


def _from_library(path: Path, patches: Patches = ()) -> AudioHeader:
    """The header as soundfile reads it, unchecked. Raises TracksError where it cannot."""
    try:
        with open_decoder(path, patches) as file:
            subtype = file.subtype
            digits = _BITS.fullmatch(subtype)
            bits = int(digits[1]) if digits else 64 if subtype == "DOUBLE" else 32
            return AudioHeader(path, file.format, subtype, file.samplerate, file.channels, file.frames, bits)
    except (RuntimeError, ValueError, TypeError, AssertionError) as error:
        reason = str(getattr(error, "error_string", "") or error).rstrip(".")
        raise file_error("damaged-header", path, f"its header cannot be read ({reason})") from None


def _from_chunks(path: Path, file: BinaryIO, scan: ChunkScan, recover: bool) -> AudioHeader:
    """The header of a RIFF-family file, its data chunk checked against the bytes that are there."""
    data = scan.find(b"data" if scan.is_wave else b"SSND")
    if data is None:
        raise file_error("damaged-header", path, f"the {scan.form} header has no chunk of samples")
    layout = _wave_layout(file, scan) if scan.is_wave else None
    frame_bytes = layout["channels"] * layout["bits"] // 8 if layout else 0
    fault = _fault(scan, data, frame_bytes)
    if fault is None and unexplained(file, scan, data):
        declared, present = (_counted(size, frame_bytes) for size in (data.size, scan.present(data)))
        what = f"its header declares {declared}, but {present} are there, and what follows is no chunk"
        fault = "more-than-declared", what
    if fault is not None and not recover:
        raise file_error(fault[0], path, fault[1])
    if layout is None:
        patches = size_patches(file, scan, data) if fault is not None and data.size < scan.present(data) else ()
        return replace(_from_library(path, patches), recovered=fault is not None, patches=patches)
    usable = scan.present(data) if fault is not None else data.size
    recovered = fault is not None
    bext = scan.find(b"bext")
    times = read_bext(read_body(file, bext)) if bext is not None and scan.byte_order == "<" else None
    if times is not None and times.time_reference > _LATEST_START_S * layout["rate"]:
        if not recover:
            what = f"its start time (BWF TimeReference) is {times.time_reference} samples after midnight"
            raise file_error("start-impossible", path, what)
        times, recovered = None, True
    return AudioHeader(
        path=path,
        container="WAV" if scan.form == "RIFF" else scan.form,
        frames=usable // frame_bytes,
        data_offset=data.offset if layout["subtype"] in BYTES else None,
        time_reference=times.time_reference if times else None,
        origination_date=times.date or None if times else None,
        origination_time=times.time or None if times else None,
        recovered=recovered,
        **layout,
    )


def _wave_layout(file: BinaryIO, scan: ChunkScan) -> dict[str, Any] | None:
    """subtype, rate, channels and bits of a little-endian linear WAV; None for any other coding."""
    chunk = scan.find(b"fmt ")
    body = read_body(file, chunk) if chunk is not None else b""
    if len(body) < 16 or scan.byte_order != "<":
        return None
    tag, channels, rate, _, frame_bytes, bits = struct.unpack("<HHIIHH", body[:16])
    if tag == _EXTENSIBLE and len(body) >= 26:
        (tag,) = struct.unpack("<H", body[24:26])
    subtype = _LINEAR.get((tag, bits))
    if subtype is None or channels == 0 or frame_bytes != channels * bits // 8:
        return None
    return {"subtype": subtype, "rate": rate, "channels": channels, "bits": bits}


def _fault(scan: ChunkScan, data: Chunk, frame_bytes: int) -> tuple[str, str] | None:
    """Slug and text of what is wrong between declared and present bytes, None when they agree."""
    present = scan.present(data)
    if present == 0:
        return None

    if scan.form == "RIFF" and scan.size > LARGEST_RIFF:
        return "wav-over-4gb", (
            f"a plain WAV of {scan.size / 1e9:.2f} GB, but its header can only count to 4.29 GB: "
            f"{_counted(data.size, frame_bytes)} declared, {_counted(present, frame_bytes)} there"
        )
    never_written = data.size == 0 and scan.declared in (0, UNKNOWN_SIZE)
    if data.size == UNKNOWN_SIZE or never_written or (data.size == 0 and scan.declared + 8 < scan.size):
        return "unfinalised-header", (
            f"the recorder never wrote the length into the header (it says {data.size}); "
            f"{_counted(present, frame_bytes)} are there"
        )
    if data.size > present:
        return (
            "truncated-file",
            f"cut short: {_counted(data.size, frame_bytes)} declared, {_counted(present, frame_bytes)} there",
        )
    return None


def _counted(size: int, frame_bytes: int) -> str:
    return f"{size // frame_bytes} frames" if frame_bytes else f"{size} bytes"


def _plausible(header: AudioHeader) -> AudioHeader:
    """The header, or TracksError where its figures cannot be those of a recording."""
    if header.frames <= 0:
        raise file_error("no-samples", header.path, "the file holds a header but no samples")
    if header.frames > _MOST_FRAMES:
        raise file_error("damaged-header", header.path, "the header does not say how many samples the file holds")
    if header.rate not in _RATES:
        raise file_error("damaged-header", header.path, f"the header gives a sample rate of {header.rate} Hz")
    return header


def file_error(slug: str, path: Path, what: str, allowed: str = "") -> TracksError:
    """A file's fault as the error of one problem."""
    return TracksError(Problem(slug, str(path), what, allowed))


def unreadable(path: Path, error: OSError) -> TracksError:
    """An operating system's refusal to read."""
    return file_error("unreadable-file", path, f"cannot be read ({error.strerror or error})")
