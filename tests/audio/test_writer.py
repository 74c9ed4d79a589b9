"""Parts as files: what is written reads back, is hashed as defined, and is the same every time."""

import errno
import hashlib
import itertools
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from premix.audio import writer as sinks
from premix.audio.chunks import BextFields
from premix.audio.headers import read_header
from premix.audio.reader import TrackReader
from premix.audio.writer import PartWriter, WavSink, WrittenSamples
from premix.errors import DeliveryError
from premix.messages import REMEDIES
from premix.model.tracks import Track

FRAMES = 10_001

KINDS = [("wav", 16), ("wav", 24), ("wav", 32), ("rf64", 16), ("rf64", 24), ("rf64", 32), ("flac", 16), ("flac", 24)]


@pytest.fixture
def write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """A function that writes samples into a new file; 'rf64' stands for a WAV too long for plain RIFF."""
    numbers = itertools.count()

    def make(samples: np.ndarray, kind: str = "wav", bits: int = 24, block: int = 777, **options: Any):  # type: ignore[no-untyped-def]
        monkeypatch.setattr(sinks, "LARGEST_WAV", 0 if kind == "rf64" else 4_000_000_000)
        path = tmp_path / f"{next(numbers)}.{'flac' if kind == 'flac' else 'wav'}"
        with PartWriter(
            path,
            rate=48000,
            channels=len(samples),
            frames=samples.shape[1],
            container="flac" if kind == "flac" else "wav",
            bits=bits,
            **options,
        ) as writer:
            for start in range(0, samples.shape[1], block):
                writer.write(samples[:, start : start + block])
            return path, writer.close()

    return make


def noise(channels: int = 1, frames: int = FRAMES) -> np.ndarray:
    return np.random.default_rng(channels).uniform(-0.9, 0.9, (channels, frames))


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(("kind", "bits"), KINDS)
def test_written_samples_read_back_as_quantised(write: Any, kind: str, bits: int, channels: int) -> None:
    """soundfile, an independent reader, finds the nearest step of every sample, in the right container."""
    x = noise(channels)
    path, _ = write(x, kind, bits)
    info = soundfile.info(path)
    assert (info.format, info.frames, info.channels) == (kind.upper(), FRAMES, channels)
    assert info.samplerate == 48000
    assert info.subtype == ("FLOAT" if bits == 32 else f"PCM_{bits}")
    if bits == 32:
        floats = soundfile.read(path, dtype="float32", always_2d=True)[0]
        assert np.array_equal(floats, x.T.astype(np.float32))
    else:
        steps = soundfile.read(path, dtype="int32", always_2d=True)[0] >> (32 - bits)
        assert np.array_equal(steps, np.rint(x.T * 2.0 ** (bits - 1)))


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize(("kind", "bits"), KINDS)
def test_hash_is_that_of_the_samples_in_the_file(write: Any, kind: str, bits: int, channels: int) -> None:
    """The writer's hash, the reader's hash and the definition agree; the container does not count."""
    x = noise(channels)
    path, written = write(x, kind, bits)
    with TrackReader(Track("a", "b", read_header(path)), hash_samples=True) as reader:
        assert reader.sha256() == written.sha256
    if bits == 32:
        raw = x.T.astype("<f4").tobytes()
    else:
        steps = np.rint(x.T * 2.0 ** (bits - 1)).astype("<i4")
        raw = steps.reshape(-1).view(np.uint8).reshape(-1, 4)[:, : bits // 8].tobytes()
    assert written.sha256 == hashlib.sha256(raw).hexdigest()


@pytest.mark.parametrize("dither", [False, True])
@pytest.mark.parametrize(("kind", "bits"), KINDS)
def test_rerun_writes_the_same_bytes(write: Any, kind: str, bits: int, dither: bool) -> None:
    """No time stamp anywhere (libsndfile puts one into PEAK), and dither from its seed alone."""
    options = {"dither": dither and bits != 32, "seed": 5, "bext": BextFields("a", time_reference=9)}
    one, first = write(noise(), kind, bits, **options)
    other, second = write(noise(), kind, bits, block=5000, **options)
    assert one.read_bytes() == other.read_bytes()
    assert first == second
    assert b"PEAK" not in one.read_bytes()[:2000]


def test_plain_wav_header_for_mono_and_stereo(write: Any) -> None:
    """Format tag 1, not the extensible one that some readers refuse."""
    for channels in (1, 2):
        path, _ = write(noise(channels))
        assert path.read_bytes()[20:22] == b"\x01\0"


@pytest.mark.parametrize("frames", [100, 101])
@pytest.mark.parametrize(("kind", "bits"), [k for k in KINDS if k[0] != "flac"])
def test_sizes_in_the_header_are_those_of_the_file(write: Any, kind: str, bits: int, frames: int) -> None:
    """Whole file, data chunk with its pad byte (RIFF chunks have even lengths), frames of the fact chunk."""
    path, _ = write(noise(1, frames), kind, bits)
    content = path.read_bytes()
    assert len(content) % 2 == 0
    data = frames * bits // 8
    if kind == "rf64":
        whole, stated, count = struct.unpack("<QQQ", content[20:44])
        assert count == frames
    else:
        (whole,), at = struct.unpack("<I", content[4:8]), content.index(b"data")
        (stated,) = struct.unpack("<I", content[at + 4 : at + 8])
    assert (whole + 8, stated) == (len(content), data)
    if bits == 32 and kind == "wav":
        at = content.index(b"fact")
        assert struct.unpack("<II", content[at + 4 : at + 12]) == (4, frames)


def test_rf64_is_chosen_for_more_than_four_billion_bytes(tmp_path: Path) -> None:
    """By the announced length, before a sample is written."""
    forms = {}
    for frames in (1_333_333_333, 1_333_333_334):  # 3 bytes each: 3 999 999 999 and 4 000 000 002 bytes
        path = tmp_path / f"{frames}.wav"
        with PartWriter(path, rate=48000, channels=1, frames=frames):
            forms[frames] = path.read_bytes()[:4]
    assert list(forms.values()) == [b"RIFF", b"RF64"]


def test_unity_passage_is_bit_exact(write: Any, tmp_path: Path) -> None:
    """Read and written at 24 bits without processing, every sample and the hash stay."""
    first, written = write(noise())
    out = np.empty((1, FRAMES))
    with TrackReader(Track("a", "b", read_header(first))) as reader:
        reader.read(0, out[0])
    second, again = write(out)
    assert second.read_bytes() == first.read_bytes()
    assert again == written


def test_figures_of_what_was_written(write: Any) -> None:
    """Frames, overs and the peak after rounding and clipping."""
    samples = np.zeros((2, 100))
    samples[0, 10], samples[1, 20] = 1.5, -0.25
    _, written = write(samples)
    assert (written.frames, written.overs, written.sample_peak) == (100, 1, 1 - 2.0**-23)


def test_empty_part_is_a_valid_file(write: Any) -> None:
    """Nothing to write is still a file that opens."""
    path, written = write(np.zeros((1, 0)))
    assert soundfile.info(path).frames == 0
    assert written == WrittenSamples(hashlib.sha256().hexdigest(), 0, 0, 0.0)


def test_announced_length_must_be_kept(tmp_path: Path) -> None:
    """A part that is shorter than the others would start together with them and end early: a bug."""
    with PartWriter(tmp_path / "a.wav", rate=48000, channels=1, frames=100) as writer:
        writer.write(np.zeros((1, 99)))
        with pytest.raises(ValueError, match="99 frames written, 100 announced"):
            writer.close()


@pytest.mark.parametrize("bits", [24, 32])
def test_nan_is_refused_with_part_and_time(tmp_path: Path, bits: int) -> None:
    """One line that says where; soundfile would write full scale."""
    block = np.zeros((1, 48000))
    block[0, 24000] = np.nan
    path = tmp_path / "Tidewater_stem_left.wav"
    with PartWriter(path, rate=48000, channels=1, frames=96000, bits=bits) as writer:
        writer.write(np.zeros((1, 48000)))
        with pytest.raises(DeliveryError) as caught:
            writer.write(block)
    (problem,) = caught.value.problems
    assert (problem.slug, problem.where) == ("not-finite", "Tidewater_stem_left")
    assert "1.500 s" in problem.what


@pytest.mark.parametrize("container", ["wav", "flac"])
def test_existing_file_is_never_written_over(tmp_path: Path, container: Any) -> None:
    """Two parts with one name, or an input in the way."""
    path = tmp_path / "a"
    path.write_text("precious")
    with pytest.raises(DeliveryError, match="cannot-write"):
        PartWriter(path, rate=48000, channels=1, frames=1, container=container)
    assert path.read_text() == "precious"


def test_missing_folder_is_a_delivery_error(tmp_path: Path) -> None:
    """No bare OSError leaves the writer."""
    with pytest.raises(DeliveryError, match="cannot-write"):
        PartWriter(tmp_path / "gone" / "a.wav", rate=48000, channels=1, frames=1)


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG])
def test_full_disk_is_a_delivery_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int) -> None:
    """All the ways a system says that no more bytes fit."""

    def full(*_: object) -> None:
        raise OSError(code, "full")

    monkeypatch.setattr(sinks.WavSink, "append", full)
    with (
        PartWriter(tmp_path / "a.wav", rate=48000, channels=1, frames=10) as writer,
        pytest.raises(DeliveryError) as caught,
    ):
        writer.write(np.zeros((1, 10)))
    (problem,) = caught.value.problems
    assert problem.slug == "disk-full"
    assert problem.remedy == REMEDIES["disk-full"]


def test_flac_whose_end_is_lost_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """libsndfile closes without an error when the last block does not reach the disk."""
    path = tmp_path / "a.flac"
    real = soundfile.SoundFile.close

    def lossy_close(self: soundfile.SoundFile) -> None:
        writing = not self.closed and self.mode == "w"
        real(self)
        if writing:
            path.write_bytes(path.read_bytes()[:-2000])

    with PartWriter(path, rate=48000, channels=1, frames=FRAMES, container="flac") as writer:
        writer.write(noise())
        monkeypatch.setattr(soundfile.SoundFile, "close", lossy_close)
        with pytest.raises(DeliveryError, match="disk-full"):
            writer.close()


LONG = 1_500_000_001

"""4.5 GB of 24-bit samples, odd, so that a pad byte follows."""


def test_a_wav_written_past_4_gb_is_an_rf64_that_soundfile_reads_to_its_end(tmp_path: Path) -> None:
    """Sizes in 64 bits (EBU Tech 3306); the last sample stands where an independent reader looks for it."""
    path = tmp_path / "long.wav"
    sink = WavSink(path, 48000, 1, LONG, 24, None)
    sink.append(memoryview(b"\x11\x22\x33"), None)
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size + 3 * (LONG - 2))  # a hole: all zeros
    sink.file.seek(0, 2)
    sink.append(memoryview(b"\x56\x34\x12"), None)
    sink.close()
    header = read_header(path)
    assert (header.container, header.frames, header.recovered) == ("RF64", LONG, False)
    assert path.stat().st_size % 2 == 0
    with soundfile.SoundFile(path) as file:
        assert (file.format, file.frames) == ("RF64", LONG)
        first = file.read(2, dtype="int32")
        file.seek(LONG - 2)
        last = file.read(3, dtype="int32")
    assert first.tolist() == [0x332211 << 8, 0]
    assert last.tolist() == [0, 0x123456 << 8]
