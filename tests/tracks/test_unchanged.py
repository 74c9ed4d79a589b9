"""Tracks that are replaced while a render reads them."""

import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from premix.audio.headers import read_header
from premix.audio.reader import TrackReader
from premix.errors import TracksError
from premix.messages import REMEDIES
from premix.model.song import Mic, Song
from premix.model.tracks import Track
from premix.tracks.intake import check_unchanged
from tests.audio.recordings import integers, record
from tests.rigs.songs import levels_of, recipe_of, song_from


@pytest.fixture
def song(tmp_path: Path) -> Song:
    """Three tracks, read and hashed as the analysis does."""

    def hashed(mic: Mic) -> Mic:
        path = record(tmp_path / f"{mic.name}.wav", integers(2000, seed=len(mic.name)))
        track = Track("left", mic.name, read_header(path))
        with TrackReader(track, hash_samples=True) as reader:
            levels = replace(levels_of(np.zeros(2000), mic), sha256=reader.sha256())
        return replace(mic, track=track, levels=levels)

    return song_from(recipe_of({"dynamic": {}, "ribbon": {}, "room": {"role": "room"}})).with_mics(hashed)


def test_untouched_tracks_pass_without_being_read(song: Song, monkeypatch: pytest.MonkeyPatch) -> None:
    """The usual case costs one look at each file's size and time."""
    monkeypatch.setattr("premix.tracks.intake.read_header", None)
    check_unchanged(song)


def test_replaced_changed_and_removed_tracks_are_all_named(song: Song, tmp_path: Path) -> None:
    """Another take of the same length, one more bit, and a file that is gone."""
    record(tmp_path / "dynamic.wav", integers(2000, seed=9))
    content = bytearray((tmp_path / "ribbon.wav").read_bytes())
    content[1000] ^= 1
    (tmp_path / "ribbon.wav").write_bytes(content)
    (tmp_path / "room.wav").unlink()
    # the clock of a file system may be too coarse for a test that writes within the same tick
    for name in ("dynamic.wav", "ribbon.wav"):
        os.utime(tmp_path / name, ns=(0, 1))
    with pytest.raises(TracksError) as caught:
        check_unchanged(song)
    assert [(p.slug, p.where) for p in caught.value.problems] == [
        ("changed-file", "left/dynamic"),
        ("changed-file", "left/ribbon"),
        ("changed-file", "left/room"),
    ]
    assert "changed-file" in REMEDIES


def test_same_samples_in_another_file_pass(song: Song, tmp_path: Path) -> None:
    """Touched, or copied back from a backup: the samples count."""
    os.utime(tmp_path / "dynamic.wav", ns=(5, 5))
    shutil.copyfile(tmp_path / "ribbon.wav", tmp_path / "copy.wav")
    (tmp_path / "copy.wav").replace(tmp_path / "ribbon.wav")
    check_unchanged(song)


def test_a_track_that_was_swapped_for_one_of_equal_size_and_time_is_seen(song: Song, tmp_path: Path) -> None:
    """Moved into its place with the old one's times, as a copy that keeps them does."""
    path, other = tmp_path / "ribbon.wav", tmp_path / "other.wav"
    times = path.stat()
    record(other, integers(2000, seed=77))
    os.utime(other, ns=(times.st_atime_ns, times.st_mtime_ns))
    other.replace(path)
    assert (path.stat().st_size, path.stat().st_mtime_ns) == (times.st_size, times.st_mtime_ns)
    with pytest.raises(TracksError) as caught:
        check_unchanged(song)
    assert [(p.slug, p.where) for p in caught.value.problems] == [("changed-file", "left/ribbon")]
