"""WAV files that are odd or broken in the ways of the test files of the EBU ADM Renderer, rebuilt from their headers.

Classes of damage: package `ear` 2.1.0 and its repository, ear/fileio/bw64/test/test_wav_files (BSD-3-Clause-Clear);
each name below is that of the file there. A file is read, to the last bit, or refused with its own message.
"""

import struct
from pathlib import Path

import numpy as np
import pytest

from premix.audio.reader import TrackReader
from premix.errors import TracksError
from premix.model.tracks import FoundTrack
from premix.tracks.intake import take_in
from tests.audio.recordings import RATE, integers
from tests.rigs.songs import song_from

WANTED = song_from({"format": 1, "mics": {"m": {}}, "performances": {"p": {"bus": "left"}}})
FRAMES = 501
PCM_GUID = bytes.fromhex("0100000000001000800000aa00389b71")
BEXT = bytes(338) + struct.pack("<QH", 3600 * RATE, 1) + bytes(254)


def fmt(bits: int, tag: int = 1, extra: bytes = b"") -> bytes:
    """The body of a format chunk for one channel."""
    return struct.pack("<HHIIHH", tag, 1, RATE, RATE * bits // 8, bits // 8, bits) + extra


def chunk(name: bytes, body: bytes, size: int | None = None, pad: bool = True) -> bytes:
    """A chunk; size: what it says of itself, where that is not the truth."""
    return name + struct.pack("<I", len(body) if size is None else size) + body + bytes(len(body) % 2 if pad else 0)


def file_of(chunks: bytes, riff: bytes = b"RIFF", wave: bytes = b"WAVE") -> bytes:
    return riff + struct.pack("<I", 4 + len(chunks)) + wave + chunks


def sound(bits: int) -> bytes:
    """The samples of `recorded`, at the highest bits of 24."""
    raw = recorded(bits).astype("<i4").view(np.uint8).reshape(-1, 4)
    return raw[:, 4 - bits // 8 :].tobytes()


def recorded(bits: int) -> np.ndarray:
    """(frames) left-justified in 32 bits."""
    return integers(FRAMES, bits=bits)[:, 0]


def data(bits: int, pad: bool = True) -> bytes:
    return chunk(b"data", sound(bits), pad=pad)


DS64 = chunk(b"ds64", struct.pack("<QQQI", 36 + 3 * FRAMES, 3 * FRAMES, FRAMES, 0))
READ = {
    "empty_extradata": (16, file_of(chunk(b"fmt ", fmt(16, extra=struct.pack("<H", 22) + bytes(22))) + data(16))),
    "fmt_padding": (16, file_of(chunk(b"fmt ", fmt(16, extra=bytes(24))) + data(16))),
    "pcm_extradata": (
        16,
        file_of(chunk(b"fmt ", fmt(16, 0xFFFE, struct.pack("<HHI", 22, 16, 0) + PCM_GUID)) + data(16)),
    ),
    "rect_16bit": (16, file_of(chunk(b"fmt ", fmt(16)) + data(16))),
    "rect_24bit": (24, file_of(chunk(b"fmt ", fmt(24)) + data(24))),
    "rect_32bit": (
        32,
        file_of(
            chunk(b"fmt ", fmt(32, 0xFFFE, struct.pack("<HHI", 22, 32, 3) + PCM_GUID))
            + chunk(b"LIST", b"INFOISFT\x0e\0\0\0encoder 57.101")
            + data(32)
        ),
    ),
    "rect_24bit_bext": (24, file_of(chunk(b"fmt ", fmt(24)) + chunk(b"bext", BEXT) + data(24))),
    "rect_24bit_rf64": (24, file_of(DS64 + chunk(b"fmt ", fmt(24)) + data(24), b"RF64")),
    # The reader there refuses it; the data chunk tells its own length, so nothing is unclear.
    "rect_24bit_nods64": (24, file_of(chunk(b"fmt ", fmt(24)) + data(24), b"RF64")),
    "24bit_missing_padding": (24, file_of(chunk(b"fmt ", fmt(24)) + data(24, pad=False))),
}
REFUSED = {
    "rect_24bit_noriff": ("not-audio", file_of(DS64 + chunk(b"fmt ", fmt(24)) + data(24), b"RF65")),
    "rect_24bit_nowave": ("damaged-header", file_of(DS64 + chunk(b"fmt ", fmt(24)) + data(24), b"RF64", b"WAV ")),
    "rect_24bit_wrong_fmt_size": ("damaged-header", file_of(chunk(b"fmt ", fmt(24), size=17) + data(24))),
}


def taken(path: Path, recover: bool) -> np.ndarray:
    """The samples of the file, taken in as the only track of a song and read through."""
    (mic,) = take_in(WANTED, [FoundTrack("p", "m", path)], path.parent, recover=recover).mics
    track = mic.track
    assert track.header.rate == RATE
    out = np.empty(track.header.frames)
    with TrackReader(track, hash_samples=True) as reader:
        reader.read(0, out)
        reader.sha256()
    return out


@pytest.mark.parametrize("recover", [False, True])
@pytest.mark.parametrize("name", READ)
def test_odd_but_whole_files_are_read_to_the_last_bit(tmp_path: Path, name: str, recover: bool) -> None:
    """Every sample, whether or not damage was to be recovered."""
    bits, content = READ[name]
    (tmp_path / "a.wav").write_bytes(content)
    np.testing.assert_array_equal(taken(tmp_path / "a.wav", recover), recorded(bits) / 2.0**31)


@pytest.mark.parametrize("recover", [False, True])
@pytest.mark.parametrize("name", REFUSED)
def test_broken_files_are_refused_with_one_line(tmp_path: Path, name: str, recover: bool) -> None:
    """Where the samples are cannot be known, so nothing is guessed even on request."""
    slug, content = REFUSED[name]
    (tmp_path / "a.wav").write_bytes(content)
    with pytest.raises(TracksError) as caught:
        taken(tmp_path / "a.wav", recover)
    (problem,) = caught.value.problems
    assert problem.slug == slug and problem.where.startswith("p/m")


def test_start_time_of_an_odd_file_is_read(tmp_path: Path) -> None:
    """The bext chunk between format and samples."""
    (tmp_path / "a.wav").write_bytes(READ["rect_24bit_bext"][1])
    song = take_in(WANTED, [FoundTrack("p", "m", tmp_path / "a.wav")], tmp_path)
    assert song.time_reference == 3600 * RATE
