"""Tracks as samples on the common time line, and the hash of their samples."""

import hashlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from premix.audio.headers import read_header
from premix.audio.reader import TrackReader, first_difference
from premix.errors import TracksError
from premix.model.tracks import AudioHeader, Track
from tests.audio.recordings import FORMATS, integers, record

LENGTHS = (1, 2, 777, 9001)
KINDS = [(c, s, e, ch, n) for c, s, e in FORMATS for ch in (1, 2) for n in LENGTHS]


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> dict[int, tuple[AudioHeader, np.ndarray]]:
    """One file of every format, channel count and length, with what soundfile reads of it."""
    folder = tmp_path_factory.mktemp("shelf")
    made = {}
    for number, (container, subtype, extension, channels, frames) in enumerate(KINDS):
        bits = 16 if subtype == "PCM_16" else 24
        path = record(folder / f"{number}.{extension}", integers(frames, channels, bits, number), subtype, container)
        made[number] = read_header(path), soundfile.read(path, always_2d=True)[0]
    return made


def expected(samples: np.ndarray, first: int, count: int) -> np.ndarray:
    """Samples first to first + count, zeros outside."""
    padded = np.concatenate([np.zeros(30_000), samples, np.zeros(30_000)])
    return padded[30_000 + first : 30_000 + first + count]


@settings(max_examples=300, deadline=None, derandomize=True)
@given(
    kind=st.integers(0, len(KINDS) - 1),
    channel=st.integers(0, 1),
    shift=st.integers(0, 500),
    begin=st.integers(-1000, 1000),
    steps=st.lists(st.tuples(st.integers(1, 4000), st.integers(-300, 300)), min_size=1, max_size=12),
    decoded=st.booleans(),
)
def test_any_blocks_of_any_file_are_what_soundfile_reads(
    shelf: dict[int, tuple[AudioHeader, np.ndarray]],
    kind: int,
    channel: int,
    shift: int,
    begin: int,
    steps: list[tuple[int, int]],
    decoded: bool,
) -> None:
    """Bytes unpacked here and samples decoded by soundfile are equal bit for bit, whatever is asked for."""
    header, samples = shelf[kind]
    if decoded:
        header = replace(header, data_offset=None)
    channel = min(channel, header.channels - 1)
    start = begin
    with TrackReader(Track("a", "b", header, start=shift, channel=channel)) as reader:
        for count, jump in steps:
            out = np.full(count, np.nan)
            reader.read(start, out)
            assert np.array_equal(out, expected(samples[:, channel], start - shift, count))
            start += count + jump


def test_overlapping_reads_of_flac_decode_each_sample_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Block after block with overlap, from before or after the start, hashed on the way: one pass."""
    path = record(tmp_path / "a.flac", integers(50_000), container="FLAC")
    decoded = []
    real = soundfile.SoundFile.read

    def counting(self: soundfile.SoundFile, *args: object, **kwargs: object) -> np.ndarray:
        got: np.ndarray = real(self, *args, **kwargs)
        decoded.append(len(got))
        return got

    monkeypatch.setattr(soundfile.SoundFile, "read", counting)
    for begin in (-128, 300):
        decoded.clear()
        with TrackReader(Track("a", "b", read_header(path)), hash_samples=True) as reader:
            out = np.empty(4096 + 128)
            for start in range(begin, 49_000, 4096):
                reader.read(start, out)
            reader.sha256()
        assert sum(decoded) == 50_000


def test_hash_of_a_24_bit_wav_is_that_of_its_data_chunk(tmp_path: Path) -> None:
    """The definition of the sample hash, on the bytes themselves."""
    path = record(tmp_path / "a.wav", integers(5001, 2))
    with TrackReader(Track("a", "b", read_header(path)), hash_samples=True) as reader:
        assert reader.sha256() == hashlib.sha256(path.read_bytes()[44 : 44 + 5001 * 6]).hexdigest()


@pytest.mark.parametrize(("bits", "subtype"), [(16, "PCM_16"), (24, "PCM_24")])
def test_hash_does_not_depend_on_the_container(tmp_path: Path, bits: int, subtype: str) -> None:
    """The same samples in WAV, FLAC, AIFF, W64 and CAF have one hash."""
    samples = integers(10_000, 1, bits)
    hashes = set()
    for container in ("WAV", "RF64", "FLAC", "AIFF", "W64", "CAF"):
        path = record(tmp_path / f"{container}.x", samples, subtype, container)
        with TrackReader(Track("a", "b", read_header(path)), hash_samples=True) as reader:
            hashes.add(reader.sha256())
    raw = (samples[:, 0] >> (32 - bits)).astype("<i4").view(np.uint8).reshape(-1, 4)[:, : bits // 8]
    assert hashes == {hashlib.sha256(raw.tobytes()).hexdigest()}


@pytest.mark.parametrize("container", ["WAV", "FLAC"])
@pytest.mark.parametrize("block", [100, 4096, 30_000])
@pytest.mark.parametrize("overlap", [0, 50])
@pytest.mark.parametrize("start", [-300, 0, 2500])
def test_hash_does_not_depend_on_the_blocks(
    tmp_path: Path, container: str, block: int, overlap: int, start: int
) -> None:
    """Overlap, a late start and an early end leave no sample out and hash none twice."""
    path = record(tmp_path / "a.x", integers(10_000, 2), container=container)
    track = Track("a", "b", read_header(path))
    with TrackReader(track, hash_samples=True) as reader:
        whole = reader.sha256()
    with TrackReader(track, hash_samples=True) as reader:
        out = np.empty(block + overlap)
        for first in range(start, 9_000, block):
            reader.read(first, out)
        assert reader.sha256() == whole


def test_one_changed_bit_changes_the_hash(tmp_path: Path) -> None:
    """The last sample counts as much as the first."""
    samples = integers(1000)
    found = set()
    for change in (0, 256):
        samples[-1] ^= change
        path = record(tmp_path / f"{change}.wav", samples)
        with TrackReader(Track("a", "b", read_header(path)), hash_samples=True) as reader:
            found.add(reader.sha256())
    assert len(found) == 2


def test_file_that_gets_shorter_while_it_is_read_stops_the_run(tmp_path: Path) -> None:
    """An input that is replaced under a running render is an error of the tracks, not a crash."""
    path = record(tmp_path / "a.wav", integers(10_000))
    with TrackReader(Track("a", "b", read_header(path))) as reader:
        with path.open("r+b") as file:
            file.truncate(10_000)
        with pytest.raises(TracksError, match="damaged-samples"):
            reader.read(0, np.empty(10_000))


def test_file_that_holds_less_than_its_header_says_stops_the_run(tmp_path: Path) -> None:
    """A format whose frames cannot be counted beforehand, and that ends without an error."""
    header = read_header(record(tmp_path / "a.caf", integers(1000), container="CAF"))
    with (
        TrackReader(Track("a", "b", replace(header, frames=1001))) as reader,
        pytest.raises(TracksError, match=r"at frame 1000 of 1001.*\[damaged-samples\]"),
    ):
        reader.read(0, np.empty(1001))


@pytest.mark.parametrize("container", ["WAV", "FLAC"])
def test_file_that_is_gone_stops_the_run(tmp_path: Path, container: str) -> None:
    """Gone between the header and the samples."""
    path = record(tmp_path / "a.x", integers(100), container=container)
    header = read_header(path)
    path.unlink()
    with pytest.raises(TracksError, match="unreadable-file"):
        TrackReader(Track("a", "b", header))


@pytest.mark.parametrize("container", ["WAV", "CAF"])
def test_nan_of_a_float_file_is_passed_on(tmp_path: Path, container: str) -> None:
    """Quiet or signalling, without a warning; the analysis counts them."""
    path = record(tmp_path / "a.x", np.zeros((100, 1)), "FLOAT", container)
    content = bytearray(path.read_bytes())
    signalling = b"\x01\x00\xa0\x7f"
    content[-40:-36] = signalling if container == "WAV" else signalling[::-1]
    path.write_bytes(content)
    out = np.empty(100)
    with TrackReader(Track("a", "b", read_header(path))) as reader:
        reader.read(0, out)
    assert np.flatnonzero(np.isnan(out)).tolist() == [90]


@pytest.mark.parametrize("at", [0, 65_535, 65_536, 69_999])
def test_first_difference_of_two_channels_is_found(tmp_path: Path, at: int) -> None:
    """One step of one sample is enough."""
    samples = np.repeat(integers(70_000), 2, axis=1)
    samples[at, 1] ^= 256
    assert first_difference(read_header(record(tmp_path / "a.wav", samples))) == at


def test_equal_channels_have_no_difference(tmp_path: Path) -> None:
    """Stereo that is mono twice."""
    path = record(tmp_path / "a.flac", np.repeat(integers(70_000), 2, axis=1), container="FLAC")
    assert first_difference(read_header(path)) is None
