"""Tracks that are replaced while a render reads them."""

import os
import shutil
from pathlib import Path

import pytest

from premix.audio.headers import read_header
from premix.audio.reader import TrackReader
from premix.errors import TracksError
from premix.messages import REMEDIES
from premix.model.analysis import Analysis, TrackLevels
from premix.model.tracks import Track, TrackSet
from premix.tracks.intake import check_unchanged
from tests.audiofile.recordings import integers, record


@pytest.fixture
def read(tmp_path: Path) -> tuple[TrackSet, Analysis]:
    """Three tracks, read and hashed as an analysis does."""
    tracks, levels = [], []
    for number, mic in enumerate(("dynamic", "ribbon", "room")):
        header = read_header(record(tmp_path / f"{mic}.wav", integers(2000, seed=number)))
        tracks.append(Track("left", mic, header))
        with TrackReader(tracks[-1], hash_samples=True) as reader:
            levels.append(TrackLevels("left", mic, 2000, 1.0, 0.5, 0.0, 0, (), (), reader.sha256()))
    song = TrackSet("Tidewater", tmp_path, 48000, 2000, tuple(tracks))
    return song, Analysis(48000, 2000, (), (), tuple(levels))


def test_untouched_tracks_pass_without_being_read(
    read: tuple[TrackSet, Analysis], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The usual case costs one look at each file's size and time."""
    monkeypatch.setattr("premix.tracks.intake.read_header", None)
    check_unchanged(*read)


def test_replaced_changed_and_removed_tracks_are_all_named(read: tuple[TrackSet, Analysis], tmp_path: Path) -> None:
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
        check_unchanged(*read)
    assert [(p.slug, p.where) for p in caught.value.problems] == [
        ("changed-file", "left/dynamic"),
        ("changed-file", "left/ribbon"),
        ("changed-file", "left/room"),
    ]
    assert "changed-file" in REMEDIES


def test_same_samples_in_another_file_pass(read: tuple[TrackSet, Analysis], tmp_path: Path) -> None:
    """Touched, or copied back from a backup: the samples count."""
    os.utime(tmp_path / "dynamic.wav", ns=(5, 5))
    shutil.copyfile(tmp_path / "ribbon.wav", tmp_path / "copy.wav")
    (tmp_path / "copy.wav").replace(tmp_path / "ribbon.wav")
    check_unchanged(*read)
