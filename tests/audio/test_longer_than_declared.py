"""Headers that declare fewer frames than their file holds: refused with the choice, and read to the end by choice."""

import struct
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import soundfile

from premix.audio import endings
from premix.audio.headers import read_header
from premix.audio.reader import read_blocks, sample_hash
from premix.errors import TracksError
from premix.messages import REMEDIES
from tests.audio.recordings import FORMATS, integers, record

WHOLE, HALF = 30_000, 12_000


def gone_on(folder: Path, samples: npt.NDArray[np.int32], container: str, subtype: str, extension: str) -> Path:
    """What a recorder leaves that writes its header after HALF frames, goes on, and then stops without a word."""
    whole = record(folder / f"whole.{extension}", samples, subtype, container).read_bytes()
    path = folder / f"gone_on.{extension}"
    if container == "FLAC":  # the lower 36 bits of the eight bytes from 18 on are the length (RFC 9639, 8.2)
        (properties,) = struct.unpack(">Q", whole[18:26])
        path.write_bytes(whole[:18] + struct.pack(">Q", properties >> 36 << 36 | HALF) + whole[26:])
        return path
    half = record(folder / f"half.{extension}", samples[:HALF], subtype, container).read_bytes()
    data = {"AIFF": b"SSND", "W64": b"data\xf3\xac\xd3\x11"}.get(container, b"data")
    begin = half.index(data) + 8
    assert whole.index(data) + 8 == begin
    if container == "W64":
        begin += 16
    if container == "CAF":
        begin += 8
    assert 2 * len(half) > len(half) + begin
    path.write_bytes(half[:begin] + whole[begin:])
    return path


@pytest.mark.parametrize(("container", "subtype", "extension"), FORMATS)
def test_more_samples_than_declared_are_refused_with_the_choice(
    tmp_path: Path, container: str, subtype: str, extension: str
) -> None:
    """Every format that is read: one problem that says how many are there; nothing is dropped without a word."""
    bits = 16 if subtype == "PCM_16" else 24
    path = gone_on(tmp_path, integers(WHOLE, bits=bits), container, subtype, extension)
    if container == "W64":  # whose library goes by the bytes that are there
        assert len(soundfile.read(path)[0]) == read_header(path).frames == WHOLE
        return
    assert len(soundfile.read(path)[0]) == HALF
    with pytest.raises(TracksError) as caught:
        read_header(path)
    (problem,) = caught.value.problems
    assert (problem.slug, problem.where) == ("more-than-declared", str(path))
    assert "--recover" in REMEDIES[problem.slug]
    if container != "AIFF":
        assert str(WHOLE) in problem.what, problem.what


@pytest.mark.parametrize(("container", "subtype", "extension"), FORMATS)
def test_all_of_them_are_read_by_choice(tmp_path: Path, container: str, subtype: str, extension: str) -> None:
    """To the last bit, whatever the header says; the hash is that of the whole file."""
    bits = 16 if subtype == "PCM_16" else 24
    samples = integers(WHOLE, bits=bits)
    path = gone_on(tmp_path, samples, container, subtype, extension)
    header = read_header(path, recover=True)
    assert (header.frames, header.recovered) == (WHOLE, container != "W64")
    read = np.concatenate(list(read_blocks(header, 7000)), axis=1)
    assert np.array_equal(read, samples.T / 2.0**31)
    assert sample_hash(header) == sample_hash(read_header(tmp_path / f"whole.{extension}"))


@pytest.mark.parametrize(("container", "subtype", "extension"), FORMATS)
def test_whole_files_of_any_length_are_taken(tmp_path: Path, container: str, subtype: str, extension: str) -> None:
    """Odd numbers of bytes, one FLAC block and many, silence, hiss, a tone, two channels."""
    bits = 16 if subtype == "PCM_16" else 24
    rng = np.random.default_rng(3)
    for frames in (1, 15, 191, 4095, 4096, 4097, 20_001):
        for channels in (1, 2):
            for kind in range(3):
                samples = integers(frames, channels, bits, seed=int(rng.integers(1 << 30)))
                samples = samples * 0 if kind == 0 else samples >> 12 << 12 if kind == 1 else samples
                if kind == 1:
                    samples = samples // 4096 >> 8 << (32 - bits) if bits == 24 else samples
                path = record(tmp_path / f"x.{extension}", samples.astype(np.int32), subtype, container)
                assert read_header(path).frames == frames, (frames, channels, kind)


TAILS = {
    "a chunk nobody knows": b"kbTx" + struct.pack("<I", 6) + b"abcdef",
    "several": b"LIST" + struct.pack("<I", 4) + b"INFO" + b"bext" + struct.pack("<I", 2) + b"ab",
    "a list that is cut off": b"LIST" + struct.pack("<I", 900) + b"INFO",
    "zeros of a recorder that takes room in advance": bytes(5000),
    "a chunk and zeros": b"kbTx" + struct.pack("<I", 2) + b"ab" + bytes(300),
    "a tag of players": b"ID3\x03\x00" + bytes(range(100)),
    "less than a chunk": b"\x01\x02\x03",
}


@pytest.mark.parametrize("tail", TAILS)
def test_what_is_no_sound_behind_the_samples_is_no_fault(tmp_path: Path, tail: str) -> None:
    """Chunks, tags, room that was taken in advance; the frames stay those that are declared."""
    for frames in (3000, 3001):  # an odd chunk is padded
        path = record(tmp_path / "a.wav", integers(frames))
        path.write_bytes(path.read_bytes() + bytes(frames % 2) * (len(path.read_bytes()) % 2) + TAILS[tail])
        assert read_header(path).frames == frames


def test_a_chain_of_chunks_that_does_not_reach_the_end_is_sound(tmp_path: Path) -> None:
    """Bytes that look like one chunk by chance and go on as noise."""
    path = record(tmp_path / "a.wav", integers(3000))
    noise = np.random.default_rng(5).integers(1, 255, 9000, dtype=np.uint8).tobytes()
    path.write_bytes(path.read_bytes() + b"kbTx" + struct.pack("<I", 6) + b"abcdef" + noise)
    with pytest.raises(TracksError, match="more-than-declared"):
        read_header(path)


def test_the_checksums_are_those_of_the_standard() -> None:
    """RFC 9639: CRC-8 with x^8+x^2+x+1, CRC-16 with x^16+x^15+x^2+1, both from zero. Check values over '123456789' as
    the public catalogue of parametrised CRCs lists them for CRC-8/SMBUS and CRC-16/UMTS (from memory)."""
    assert endings._crc8(b"123456789") == 0xF4
    assert endings._crc16(b"123456789") == 0xFEE8
