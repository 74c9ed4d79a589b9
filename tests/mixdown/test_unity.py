"""A recipe that changes nothing returns the input bit for bit, through the whole pipeline."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.arrays import FloatArray
from premix.pipeline import render
from tests.rigs.sessions import Song, hashes, manifest_of, on_grid, parts_of, riff, samples, write_song

RECIPE = """\
format: 1
song: Unity
mics: {{dynamic: {{}}}}
performances: {{left: {{bus: left}}}}
deliver: {{bits: {bits}, format: {container}}}
"""


def unity(
    folder: Path, bits: int, container: str = "wav", subtype: str = "PCM_24", signal: FloatArray | None = None
) -> Song:
    """One mic of one performance, rendered at 0 dB."""
    take = riff(1, 50_001, peak=0.8) if signal is None else signal
    song = write_song(folder, RECIPE.format(bits=bits, container=container), {"left_dynamic": take}, subtype=subtype)
    render(song.recipe, song.tracks, song.out())
    return song


@pytest.mark.parametrize("container", ["wav", "flac"])
def test_24_bits_come_out_as_they_went_in(tmp_path: Path, container: str) -> None:
    """Integers of stem, bus and left side equal the input's integers; the right side is all zeros."""
    song = unity(tmp_path, 24, container)
    taken, _ = soundfile.read(song.tracks / "left_dynamic.wav", dtype="int32")
    for part in ("stem_left", "bus_left"):
        made, _ = soundfile.read(song.out() / parts_of(song.out())[part]["path"], dtype="int32")
        np.testing.assert_array_equal(made, taken)
    guitars, _ = soundfile.read(song.out() / parts_of(song.out())["guitars"]["path"], dtype="int32")
    np.testing.assert_array_equal(guitars[:, 0], taken)
    assert not guitars[:, 1].any()


def test_hash_of_the_stem_is_the_hash_of_the_input(tmp_path: Path) -> None:
    """Hashes are of samples at the file's own depth: equal samples, equal hash."""
    song = unity(tmp_path, 24)
    (entry,) = manifest_of(song.out())["inputs"]
    assert hashes(song.out())["stem_left"] == entry["sha256"]


def test_16_bits_fit_into_24(tmp_path: Path) -> None:
    """A shallower input gains eight zero bits and nothing else."""
    song = unity(tmp_path, 24, subtype="PCM_16")
    np.testing.assert_array_equal(samples(song.out(), "stem_left")[0], on_grid(riff(1, 50_001, peak=0.8), 16))


def test_float_keeps_24_bits_exactly(tmp_path: Path) -> None:
    """A 32-bit float holds every 24-bit sample: its significand has 24 bits (IEEE 754)."""
    song = unity(tmp_path, 32)
    np.testing.assert_array_equal(samples(song.out(), "stem_left")[0], on_grid(riff(1, 50_001, peak=0.8)))


def test_every_step_near_zero_and_near_the_ceiling_survives(tmp_path: Path) -> None:
    """The smallest steps of both signs, and the largest below the ceiling of -1 dBTP, are not rounded away."""
    steps = np.concatenate([np.arange(-300, 300), np.full(400, 0)]) / 2.0**23
    slow = 0.88 * np.sin(2 * np.pi * np.arange(40_000) / 9_600.0)  # so slow that the true peak is the sample peak
    song = unity(tmp_path, 24, signal=np.concatenate([slow, np.zeros(100), steps]))
    assert manifest_of(song.out())["trim_db"] == 0.0
    np.testing.assert_array_equal(samples(song.out(), "stem_left")[0, 40_100:40_700], steps[:600])
    np.testing.assert_array_equal(samples(song.out(), "stem_left")[0, :40_000], on_grid(slow))
