"""What a header says, and what is refused before a sample is used."""

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.audio.headers import fits, read_header
from premix.audio.reader import TrackReader
from premix.errors import TracksError
from premix.messages import REMEDIES
from premix.model.tracks import Track
from tests.audio.recordings import FORMATS, RATE, damaged, integers, record

FRAMES = 5001  # odd, so that 24-bit mono needs the pad byte


def slug_of(path: Path) -> str:
    """The one problem a header is refused for; its line must be one line that names the file."""
    with pytest.raises(TracksError) as caught:
        read_header(path)
    (problem,) = caught.value.problems
    assert problem.slug in REMEDIES
    assert problem.where == str(path)
    assert "\n" not in problem.line()
    return problem.slug


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(("container", "subtype", "extension"), FORMATS)
def test_every_format_reads_as_soundfile_reads_it(
    tmp_path: Path, container: str, subtype: str, extension: str, channels: int
) -> None:
    """Rate, channels, frames and coding of an undamaged file are soundfile's."""
    path = record(tmp_path / f"a.{extension}", integers(FRAMES, channels), subtype, container, 44100)
    header, info = read_header(path), soundfile.info(path)
    assert (header.rate, header.channels, header.frames, header.subtype) == (
        info.samplerate,
        info.channels,
        info.frames,
        info.subtype,
    )
    assert not header.recovered
    assert fits(header.container, path.suffix)


def test_a_24_bit_wav_gives_the_position_of_its_samples(tmp_path: Path) -> None:
    """data_offset is where the samples are, byte for byte (44 in a minimal WAV)."""
    header = read_header(record(tmp_path / "a.wav", integers(FRAMES)))
    assert header.data_offset == 44


def test_missing_file_is_said_plainly(tmp_path: Path) -> None:
    """No 'System error': the file is not there."""
    assert slug_of(tmp_path / "gone.wav") == "missing-file"


def test_folder_in_place_of_a_file_is_refused(tmp_path: Path) -> None:
    """A folder named like a track is no track."""
    (tmp_path / "a.wav").mkdir()
    assert slug_of(tmp_path / "a.wav") == "unreadable-file"


def test_empty_file_is_refused(tmp_path: Path) -> None:
    """A file of 0 bytes."""
    (tmp_path / "a.wav").touch()
    assert slug_of(tmp_path / "a.wav") == "empty-file"


@pytest.mark.parametrize(
    ("content", "slug"),
    [
        (b"Tuning: drop C, take 3 was good\n" * 40, "not-audio"),
        (bytes(500), "not-audio"),
        (b"\xff\xfb\x90\x64" + bytes(999), "not-audio"),
        (b"OggS" + bytes(99), "not-audio"),
        (b"RIFF", "damaged-header"),
        (b"RIFF\x24\0\0\0AVI LIST", "damaged-header"),
        (b"RIFF\x24\0\0\0WAVEfmt ", "damaged-header"),
        (b"fLaC", "damaged-header"),
    ],
    ids=["text", "zeros", "mp3", "ogg", "four bytes", "video", "no samples", "no blocks"],
)
def test_what_is_no_recording_is_refused(tmp_path: Path, content: bytes, slug: str) -> None:
    """Text, stubs, video and lossy streams named .wav."""
    (tmp_path / "a.wav").write_bytes(content)
    assert slug_of(tmp_path / "a.wav") == slug


def test_header_without_samples_is_refused(tmp_path: Path) -> None:
    """A well-formed file of no length."""
    assert slug_of(record(tmp_path / "a.wav", integers(0))) == "no-samples"


@pytest.mark.parametrize(
    ("container", "extension"), [("WAV", "wav"), ("RF64", "rf64"), ("AIFF", "aif"), ("W64", "w64")]
)
def test_truncated_file_is_refused_with_both_lengths(tmp_path: Path, container: str, extension: str) -> None:
    """soundfile reads what is there of a truncated file and says nothing."""
    whole = record(tmp_path / f"whole.{extension}", integers(FRAMES), container=container)
    half = damaged(tmp_path / f"half.{extension}", whole, cut=whole.stat().st_size // 2)
    assert soundfile.info(half).frames > 0
    assert slug_of(half) == "truncated-file"


def test_truncated_wav_is_recovered_on_request(tmp_path: Path) -> None:
    """The frames that are there, whole ones only, exactly."""
    samples = integers(FRAMES, 2)
    whole = record(tmp_path / "whole.wav", samples)
    half = damaged(tmp_path / "half.wav", whole, cut=44 + 6 * 2000 + 5)
    header = read_header(half, recover=True)
    assert (header.frames, header.recovered) == (2000, True)
    assert np.array_equal(_samples(header_track(half)), samples[:2000, 0] / 2.0**31)


@pytest.mark.parametrize("length", [0, 0xFFFFFFFF])
@pytest.mark.parametrize("riff", [0, 0xFFFFFFFF, 36])
def test_unfinalised_wav_is_refused_and_recovered_on_request(tmp_path: Path, length: int, riff: int) -> None:
    """A recorder that lost power leaves 0 or 0xFFFFFFFF; soundfile reads 0 as an empty file."""
    samples = integers(FRAMES)
    whole = record(tmp_path / "whole.wav", samples)
    open_ended = damaged(
        tmp_path / "open.wav", whole, (4, struct.pack("<I", riff)), (40, struct.pack("<I", length)), cut=44 + 3 * FRAMES
    )
    assert slug_of(open_ended) == "unfinalised-header"
    assert read_header(open_ended, recover=True).frames == FRAMES
    assert np.array_equal(_samples(header_track(open_ended)), samples[:, 0] / 2.0**31)


def test_unfinalised_rf64_is_refused(tmp_path: Path) -> None:
    """An RF64 whose ds64 chunk was never filled in."""
    whole = record(tmp_path / "whole.rf64", integers(FRAMES), container="RF64")
    assert slug_of(damaged(tmp_path / "open.rf64", whole, (20, bytes(24)))) == "unfinalised-header"


def test_truncated_flac_is_found_while_reading_and_recovered_on_request(tmp_path: Path) -> None:
    """FLAC frames have no fixed size, so only decoding shows that some are missing."""
    samples = integers(40_000)
    whole = record(tmp_path / "whole.flac", samples, container="FLAC")
    half = damaged(tmp_path / "half.flac", whole, cut=whole.stat().st_size // 2)
    with pytest.raises(TracksError) as caught:
        _samples(Track("a", "b", read_header(half)))
    assert caught.value.problems[0].slug == "damaged-samples"
    header = read_header(half, recover=True)
    # half of the bytes of noise are half of the frames, less at most one block of 4096 and what is cut in it
    assert 40_000 // 2 - 2 * 4096 < header.frames <= 40_000 // 2
    assert np.array_equal(_samples(Track("a", "b", header)), samples[: header.frames, 0] / 2.0**31)


def test_streamed_flac_without_a_length_is_recovered_on_request(tmp_path: Path) -> None:
    """An encoder that wrote to a pipe leaves the total at 0, 'unknown' (RFC 9639, section 8.2)."""
    whole = record(tmp_path / "whole.flac", integers(10_000), container="FLAC")
    total = whole.read_bytes()[21]
    piped = damaged(tmp_path / "piped.flac", whole, (21, bytes([total & 0xF0, 0, 0, 0, 0])))
    assert slug_of(piped) == "damaged-header"
    assert read_header(piped, recover=True).frames == 10_000


def test_wav_beyond_4_gb_is_refused_and_recovered_on_request(tmp_path: Path) -> None:
    """A 32-bit counter ends at 4.29 GB; soundfile reads only the rest of the division, without an error."""
    frames = 1_500_000_000
    path = record(tmp_path / "long.wav", integers(10))
    with path.open("r+b") as file:
        file.seek(4)
        file.write(struct.pack("<I", (36 + 3 * frames) % 2**32))
        file.seek(40)
        file.write(struct.pack("<I", 3 * frames % 2**32))
        file.truncate(44 + 3 * frames)  # sparse: takes no room
    assert slug_of(path) == "wav-over-4gb"
    header = read_header(path, recover=True)
    assert (header.frames, header.recovered) == (frames, True)


def test_rf64_beyond_4_gb_reads_to_its_end(tmp_path: Path) -> None:
    """The 64-bit sizes of EBU Tech 3306: a sample beyond the 4 GB line is found where it is."""
    frames = 1_500_000_000
    path = record(tmp_path / "long.rf64", integers(10), container="RF64")
    offset = read_header(path).data_offset
    assert offset is not None
    with path.open("r+b") as file:
        file.seek(20)
        file.write(struct.pack("<QQQ", offset + 3 * frames - 8, 3 * frames, frames))
        file.truncate(offset + 3 * frames)
        file.seek(offset + 3 * (frames - 1))
        file.write(b"\x56\x34\x12")
    header = read_header(path)
    assert (header.frames, header.container) == (frames, "RF64")
    out = np.empty(4)
    with TrackReader(Track("a", "b", header)) as reader:
        reader.read(frames - 3, out)
    assert out.tolist() == [0.0, 0.0, 0x123456 / 2**23, 0.0]


@pytest.mark.parametrize("rate", [0, 1, 4_000_000_000])
def test_absurd_rate_is_refused(tmp_path: Path, rate: int) -> None:
    """No recording has such a rate; the header is damaged."""
    whole = record(tmp_path / "whole.wav", integers(FRAMES))
    assert slug_of(damaged(tmp_path / "a.wav", whole, (24, struct.pack("<I", rate)))) == "damaged-header"


def test_samples_in_front_of_the_header_are_found(tmp_path: Path) -> None:
    """Chunks of any kind and odd length may stand before the samples."""
    samples = integers(FRAMES)
    plain = record(tmp_path / "plain.wav", samples).read_bytes()
    junk = b"JUNK" + struct.pack("<I", 7) + bytes(8)
    (tmp_path / "a.wav").write_bytes(plain[:12] + junk + plain[12:36] + junk + plain[36:])
    header = read_header(tmp_path / "a.wav")
    assert header.data_offset == 44 + 32
    assert np.array_equal(_samples(Track("a", "b", header)), samples[:, 0] / 2.0**31)


def test_file_name_that_is_no_unicode_is_read(tmp_path: Path) -> None:
    """Linux file names are bytes; Python stands them in with surrogates, which soundfile refuses."""
    path = tmp_path / "left\udcff_a.flac"
    record(tmp_path / "a.flac", integers(FRAMES), container="FLAC").rename(path)
    assert read_header(path).frames == FRAMES


def header_track(path: Path) -> Track:
    """The file as a track, damage accepted."""
    return Track("a", "b", read_header(path, recover=True))


def _samples(track: Track) -> np.ndarray:
    out = np.empty(track.header.frames)
    with TrackReader(track) as reader:
        for start in range(0, len(out), 1000):
            reader.read(start, out[start : start + 1000])
    assert track.header.rate == RATE
    return out
