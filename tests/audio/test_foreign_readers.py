"""Every format that is written, read by others: sox, ffmpeg, libsndfile's own program, wavinfo."""

import json
import subprocess
from pathlib import Path

import numpy as np
import pytest
from wavinfo import WavInfoReader

from premix.audio import writer as sinks
from premix.audio.chunks import BextFields
from premix.audio.writer import PartWriter

FRAMES = 4801
KINDS = [
    (kind, bits, channels)
    for kind, bits in [
        ("wav", 16),
        ("wav", 24),
        ("wav", 32),
        ("rf64", 16),
        ("rf64", 24),
        ("rf64", 32),
        ("flac", 16),
        ("flac", 24),
    ]
    for channels in (1, 2)
]


@pytest.fixture(params=KINDS, ids=lambda k: f"{k[0]}-{k[1]}-{k[2]}ch")
def written(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> tuple[Path, str, int, int, np.ndarray]:
    """A file of each kind with a start time in it: path, kind, bits, channels, samples (frames, channels)."""
    kind, bits, channels = request.param
    if kind == "rf64":
        monkeypatch.setattr(sinks, "LARGEST_WAV", 1000)
    samples = np.random.default_rng(bits).integers(-(2**15), 2**15, (channels, FRAMES)) / 2.0**15
    path = tmp_path / f"a.{'flac' if kind == 'flac' else 'wav'}"
    with PartWriter(
        path,
        rate=44100,
        channels=channels,
        frames=FRAMES,
        bits=bits,
        container="flac" if kind == "flac" else "wav",
        bext=BextFields("Tidewater, bus left", time_reference=123_456_789_012),
    ) as writer:
        writer.write(samples)
        writer.close()
    return path, kind, bits, channels, samples.T


def run(*command: str | Path) -> str:
    """Standard output of a command that must succeed and have nothing to complain of.

    But for one thing: libsndfile gives float files a format chunk of 16 bytes, where sox looks for 18.
    """
    done = subprocess.run([*map(str, command)], capture_output=True, text=True, check=True, timeout=60)
    known = "missing extended part of fmt chunk"
    assert [line for line in done.stderr.splitlines() if known not in line] == []
    assert "rror" not in done.stdout
    return done.stdout


@pytest.mark.tools("sox")
def test_sox_reads_it(written: tuple[Path, str, int, int, np.ndarray]) -> None:
    """Rate, channels and length; and, decoded by sox, the same samples (all fit into 16 bits)."""
    path, _, _, channels, samples = written
    read = [run("soxi", flag, path).strip() for flag in ("-r", "-c", "-s")]
    assert read == ["44100", str(channels), str(FRAMES)]
    raw = path.with_suffix(".s32")
    run("sox", path, "-t", "s32", raw)
    decoded = np.fromfile(raw, "<i4").reshape(-1, channels)
    assert np.array_equal(decoded, samples * 2.0**31)


@pytest.mark.tools("ffmpeg")
def test_ffmpeg_reads_it(written: tuple[Path, str, int, int, np.ndarray]) -> None:
    """ffprobe's stream data, ffmpeg's samples, and the start time as its 'time_reference' tag."""
    path, kind, bits, channels, samples = written
    probe = json.loads(run("ffprobe", "-v", "error", "-of", "json", "-show_streams", "-show_format", path))
    (stream,) = probe["streams"]
    assert (stream["sample_rate"], stream["channels"]) == ("44100", channels)
    codecs = {16: "pcm_s16le", 24: "pcm_s24le", 32: "pcm_f32le"}
    assert stream["codec_name"] == ("flac" if kind == "flac" else codecs[bits])
    if kind != "flac":
        assert probe["format"]["tags"]["time_reference"] == "123456789012"
    raw = path.with_suffix(".f64")
    run("ffmpeg", "-v", "error", "-i", path, "-f", "f64le", raw)
    assert np.array_equal(np.fromfile(raw, "<f8").reshape(-1, channels), samples)


@pytest.mark.tools("sndfile-info")
def test_sndfile_info_reads_it(written: tuple[Path, str, int, int, np.ndarray]) -> None:
    """libsndfile's own program, which lists every chunk, has no complaint and finds the length."""
    path, *_ = written
    listing = run("sndfile-info", path)
    assert f"Frames      : {FRAMES}" in listing


def test_wavinfo_reads_it(written: tuple[Path, str, int, int, np.ndarray]) -> None:
    """Format, length and start time of every WAV and RF64; a FLAC it does not know."""
    path, kind, bits, channels, _ = written
    if kind == "flac":
        assert path.read_bytes()[:4] == b"fLaC"
        return
    info = WavInfoReader(str(path))
    assert (info.fmt.sample_rate, info.fmt.channel_count, info.fmt.bits_per_sample) == (44100, channels, bits)
    assert info.data.frame_count == FRAMES
    assert info.bext.time_reference == 123_456_789_012
