"""Files beyond 4 GB, sparse, so that they take no room: what is written there is found there."""

from pathlib import Path

import soundfile

from premix.audio.headers import read_header
from premix.audio.writer import WavSink

FRAMES = 1_500_000_001
"""4.5 GB of 24-bit samples, odd, so that a pad byte follows."""


def test_a_wav_written_past_4_gb_is_an_rf64_that_soundfile_reads_to_its_end(tmp_path: Path) -> None:
    """Sizes in 64 bits (EBU Tech 3306); the last sample stands where an independent reader looks for it."""
    path = tmp_path / "long.wav"
    sink = WavSink(path, 48000, 1, FRAMES, 24, None)
    sink.append(memoryview(b"\x11\x22\x33"), None)
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size + 3 * (FRAMES - 2))  # a hole: all zeros
    sink._file.seek(0, 2)
    sink.append(memoryview(b"\x56\x34\x12"), None)
    sink.close()
    header = read_header(path)
    assert (header.container, header.frames, header.recovered) == ("RF64", FRAMES, False)
    assert path.stat().st_size % 2 == 0
    with soundfile.SoundFile(path) as file:
        assert (file.format, file.frames) == ("RF64", FRAMES)
        first = file.read(2, dtype="int32")
        file.seek(FRAMES - 2)
        last = file.read(3, dtype="int32")
    assert first.tolist() == [0x332211 << 8, 0]
    assert last.tolist() == [0, 0x123456 << 8]
