"""Neither the number of threads nor the sizes of blocks can be told from a render."""

from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from premix.analysis import scan
from premix.arrays import FloatArray
from premix.mixdown.render import render as mix
from premix.pipeline import render
from tests.rigs.sessions import Song, hashes, manifest_of, riff, tree, write_song

RATE = 48000
FRAMES = 200_003  # no whole number of blocks, frames or rows
RECIPE = """\
format: 1
mics:
  dynamic: {}
  ribbon: {gain_db: -3}
  sub: {role: sub, gain_db: -6, low_pass_hz: 180}
  room: {role: room, gain_db: -12}
performances:
  left: {bus: left}
  right: {bus: right}
  centre: {bus: centre}
deliver: {files: [stems, rooms, rooms_ungated, buses, guitar_bus, guitar_bus_without_centre, aligned_mics]}
"""


def take(number: int) -> dict[str, FloatArray]:
    """The tracks of one performance: a polarity, delays (one of them with a fraction), a room."""
    direct = riff(number, FRAMES + 1)
    return {
        "dynamic": direct[1:],
        "ribbon": -0.4 * (direct[1:] + direct[:-1]),  # half a sample late
        "sub": 0.7 * np.roll(direct[1:], 31),
        "room": 0.3 * np.roll(direct[1:], 400),
    }


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Three performances of four mics, and its render on one thread as OUT."""
    names = ("left", "right", "centre")
    tracks = {f"{name}_{mic}": x for k, name in enumerate(names) for mic, x in take(k).items()}
    song = write_song(tmp_path_factory.mktemp("threads"), RECIPE, tracks, RATE)
    render(song.recipe, song.tracks, song.out())
    return song


@pytest.mark.parametrize("threads", [2, 5])
def test_threads_change_no_byte_of_any_file(song: Song, tmp_path: Path, threads: int) -> None:
    """Samples, track sheet and manifest with all of its figures; more threads than performances too."""
    render(song.recipe, song.tracks, tmp_path / "out", threads=threads)
    assert tree(tmp_path / "out") == tree(song.out())


@pytest.mark.parametrize("threads", [1, 3])
def test_block_sizes_change_no_sample_and_no_decision(
    song: Song, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, threads: int
) -> None:
    """Smaller blocks in both passes: the same samples; the figures differ by the rounding of their sums only."""
    monkeypatch.setattr(scan, "BLOCK_FRAMES", 2)
    monkeypatch.setattr("premix.mixdown.levelled.render", partial(mix, rows=7))
    render(song.recipe, song.tracks, tmp_path / "out", threads=threads)
    assert hashes(tmp_path / "out") == hashes(song.out())
    now, before = flat(manifest_of(tmp_path / "out")), flat(manifest_of(song.out()))
    assert now.keys() == before.keys()
    for where, value in before.items():
        close = pytest.approx(value, rel=1e-9, abs=1e-9) if isinstance(value, float) else value
        assert now[where] == close, where


def flat(value: Any, where: str = "") -> dict[str, Any]:
    """Every leaf of a document by its place."""
    if isinstance(value, dict | list):
        entries = value.items() if isinstance(value, dict) else enumerate(value)
        return {k: v for key, inner in entries for k, v in flat(inner, f"{where}/{key}").items()}
    return {where: value}
