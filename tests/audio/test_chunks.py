"""The bext chunk: written through libsndfile, read back here and by others, patched in place."""

import struct
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from wavinfo import WavInfoReader

from premix.audio import chunks
from premix.audio.chunks import NOT_MEASURED, BextFields, patch_loudness, read_bext
from premix.audio.headers import read_header
from premix.audio.writer import PartWriter
from premix.model.mix import PartMeasures

FIELDS = BextFields(
    description="Tidewater, stem left_a",
    originator_reference="",
    date="2024-03-01",
    time="20:15:30",
    time_reference=(1 << 33) + 48_000 * 3600,
    coding_history="A=PCM,F=48000,W=24,M=mono,T=5 tracks\r\n",
)


def stamped(path: Path, fields: BextFields | None = FIELDS, bits: int = 24) -> Path:
    """A short file with the chunk."""
    with PartWriter(path, rate=48000, channels=1, frames=100, bits=bits, bext=fields) as writer:
        writer.write(np.full((1, 100), 0.25))
        writer.close()
    return path


def measured(loudness_lufs: float, **more: Any) -> PartMeasures:
    """Of this loudness; of what is not named, nothing was measured."""
    return replace(PartMeasures("a", None, None, loudness_lufs, None, None, 0.0), **more)


def test_this_soundfile_can_write_the_chunk() -> None:
    """The self-test's answer on the versions in use; where it is no, files come without the chunk."""
    assert chunks.works()


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_fields_come_back_in_an_independent_reader(tmp_path: Path, bits: int) -> None:
    """wavinfo reads what was written, the 64-bit start included."""
    found = WavInfoReader(str(stamped(tmp_path / "a.wav", bits=bits))).bext
    assert found.description == FIELDS.description
    assert found.originator == "premix"
    assert (found.originator_date, found.originator_time) == (FIELDS.date, FIELDS.time)
    assert found.time_reference == FIELDS.time_reference
    assert found.version == 2
    assert found.coding_history.startswith(FIELDS.coding_history.strip())


def test_start_time_comes_back_in_the_header(tmp_path: Path) -> None:
    """What premix writes, premix reads: a delivered stem can be an input again."""
    header = read_header(stamped(tmp_path / "a.wav"))
    assert header.time_reference == FIELDS.time_reference
    assert (header.origination_date, header.origination_time) == (FIELDS.date, FIELDS.time)


def test_chunk_stands_before_the_samples(tmp_path: Path) -> None:
    """Some deliveries refuse a chunk at the end of the file."""
    content = stamped(tmp_path / "a.wav").read_bytes()
    assert content.index(b"bext") < content.index(b"data")


def test_loudness_is_patched_in_hundredths(tmp_path: Path) -> None:
    """EBU Tech 3285 v2, section 2.3: each field holds 100 times the value; 0x7FFF where there is none."""
    path = stamped(tmp_path / "a.wav")
    samples = soundfile.read(path, dtype="int32")[0]
    found = WavInfoReader(str(path)).bext
    assert found.loudness_value == pytest.approx(NOT_MEASURED / 100)
    assert patch_loudness(path, measured(-22.674, true_peak_dbtp=-1.0, momentary_max_lufs=-19.995))
    found = WavInfoReader(str(path)).bext
    assert found.loudness_value == pytest.approx(-22.67)
    assert found.loudness_range == pytest.approx(NOT_MEASURED / 100)
    assert found.max_true_peak == pytest.approx(-1.0)
    assert found.max_momentary_loudness == pytest.approx(-20.0, abs=0.006)  # half of the last digit
    assert found.max_shortterm_loudness == pytest.approx(NOT_MEASURED / 100)
    assert np.array_equal(soundfile.read(path, dtype="int32")[0], samples)
    assert found.time_reference == FIELDS.time_reference


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf"), -400.0, -100.0])
def test_loudness_that_does_not_fit_is_not_measured(tmp_path: Path, value: float) -> None:
    """Silence has no loudness; the fields hold -99.99 to 99.99 (EBU Tech 3285 v2, from memory; editors of bext hold the
    same), though 16 bits would hold more."""
    path = stamped(tmp_path / "a.wav")
    assert patch_loudness(path, measured(-99.99))
    assert WavInfoReader(str(path)).bext.loudness_value == pytest.approx(-99.99)
    patch_loudness(path, measured(value))
    assert WavInfoReader(str(path)).bext.loudness_value == pytest.approx(NOT_MEASURED / 100)


def test_file_without_the_chunk_is_left_alone(tmp_path: Path) -> None:
    """A plain WAV or a FLAC has no place for loudness."""
    path = stamped(tmp_path / "a.wav", None)
    before = path.read_bytes()
    assert not patch_loudness(path, measured(-20.0))
    assert path.read_bytes() == before
    assert b"bext" not in before


def test_plain_wav_where_the_library_refuses(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A soundfile that has lost its private handle still gives valid files, only without the chunk."""
    monkeypatch.setattr(chunks, "_SET_BROADCAST_INFO", 0x7777)
    chunks.works.cache_clear()
    try:
        assert not chunks.works()
        path = stamped(tmp_path / "a.wav")
    finally:
        chunks.works.cache_clear()
    assert b"bext" not in path.read_bytes()
    assert soundfile.info(path).frames == 100


def test_text_is_plain_ascii_and_cut(tmp_path: Path) -> None:
    """The standard's fields are ASCII of fixed length; accents are dropped, the rest is '?'."""
    path = stamped(tmp_path / "a.wav", BextFields("Führe mich 漢 " + "x" * 300, time_reference=5))
    found = WavInfoReader(str(path)).bext
    assert found.description == ("Fuhre mich ? " + "x" * 300)[:256]
    assert found.time_reference == 5


def test_too_short_a_chunk_is_no_start_time() -> None:
    """A damaged chunk is as good as none."""
    assert read_bext(b"short") is None


def test_version_0_chunk_is_read() -> None:
    """The start stands at the same place in every version."""
    body = struct.pack("<256s32s32s10s8sQH", b"old", b"recorder", b"", b"2001-01-01", b"00:00:00", 77, 0)
    fields = read_bext(body + bytes(254))
    assert fields is not None
    assert (fields.description, fields.time_reference) == ("old", 77)
