"""Channels of a file that holds several: one is named, or their mean; two mics may share a file, each its own."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from premix.audio.reader import TrackReader
from premix.errors import TracksError
from premix.model.song import Song
from premix.tracks.find import find_tracks
from premix.tracks.intake import take_in
from tests.audio.recordings import integers, record
from tests.rigs.songs import Settings, recipe_of, song_from

FRAMES = 4000
LEFT_AND_RIGHT: Settings = {
    "room_left": {"role": "room", "channel": "left", "aliases": ("room",)},
    "room_right": {"role": "room", "channel": "right", "aliases": ("room",)},
}


def taken_in(folder: Path, mics: Settings, sides: Any = ("left",)) -> Song:
    """A song of close mics that are there, and of `mics`."""
    song = song_from(recipe_of({"dynamic": {}, **mics}, sides, song="Tidewater"))
    for side in sides:
        record(folder / f"{side}_dynamic.wav", integers(FRAMES, seed=9))
    found, _ = find_tracks(song, folder)
    return take_in(song, found, folder)


def told(folder: Path, mics: Settings) -> list[str]:
    with pytest.raises(TracksError) as caught:
        taken_in(folder, mics)
    return [problem.line() for problem in caught.value.problems]


def heard(song: Song, mic: str) -> np.ndarray:
    """The samples that a mic is read as."""
    samples = np.empty(FRAMES)
    found = song.performances[0].mic(mic)
    assert found is not None
    with TrackReader(found.track) as reader:
        reader.read(0, samples)
    return samples


@pytest.mark.parametrize("kind", ["wav", "flac"])
@pytest.mark.parametrize(
    ("channel", "channels", "of"),
    [(1, 2, [0]), (2, 2, [1]), ("left", 2, [0]), ("right", 2, [1]), ("mix", 2, [0, 1]), (3, 4, [2]),
     ("mix", 3, [0, 1, 2]), (1, 1, [0]), ("mix", 1, [0])],
)  # fmt: skip
def test_a_channel_is_read_alone_and_mix_is_the_mean(
    tmp_path: Path, kind: str, channel: int | str, channels: int, of: list[int]
) -> None:
    """Straight from the bytes of a WAV and through a decoder; nothing is said of it, as the recipe says it."""
    samples = integers(FRAMES, channels)
    record(tmp_path / f"left_ribbon.{kind}", samples, container=kind.upper())
    song = taken_in(tmp_path, {"ribbon": {"channel": channel}})
    assert song.findings == ()
    assert heard(song, "ribbon") == pytest.approx(samples[:, of].mean(axis=1) / 2.0**31, abs=1e-15)


def test_two_mics_share_a_file_with_a_channel_each(tmp_path: Path) -> None:
    """By one alias, or by `file`; each is read from its own side."""
    samples = integers(FRAMES, 2)
    record(tmp_path / "left_room.wav", samples)
    song = taken_in(tmp_path, LEFT_AND_RIGHT)
    for channel, mic in enumerate(("room_left", "room_right")):
        assert np.array_equal(heard(song, mic), samples[:, channel] / 2.0**31)


def test_the_roll_call_counts_a_shared_file_once(tmp_path: Path) -> None:
    """Three mics, two files."""
    record(tmp_path / "left_room.wav", integers(FRAMES, 2))
    record(tmp_path / "left_dynamic.wav", integers(FRAMES))
    _, roll = find_tracks(song_from(recipe_of({"dynamic": {}, **LEFT_AND_RIGHT}, song="Tidewater")), tmp_path)
    assert (roll.used, roll.found, roll.unused) == (2, 2, ())


@pytest.mark.parametrize(("one", "other"), [("left", 1), ("mix", "left"), ("left", None), (None, None)])
def test_one_channel_for_two_mics_is_refused(tmp_path: Path, one: int | str | None, other: int | str | None) -> None:
    """The same sound twice, however it is written; also where only one of them names a channel."""
    record(tmp_path / "left_room.wav", np.repeat(integers(FRAMES, 1), 2, axis=1))
    named = (("a", one), ("b", other))
    mics: dict[str, dict[str, object]] = {m: {"role": "room"} | ({"channel": c} if c else {}) for m, c in named}
    exceptions = {"left": {"bus": "left", "mics": {name: {"file": "left_room.wav"} for name in mics}}}
    song = song_from(recipe_of({"dynamic": {}, **mics}, exceptions, song="Tidewater"))
    record(tmp_path / "left_dynamic.wav", integers(FRAMES, seed=9))
    with pytest.raises(TracksError, match=r"left/b .*the same file as left/a.*used-twice"):
        take_in(song, find_tracks(song, tmp_path)[0], tmp_path)


def test_a_channel_that_is_not_there_is_refused(tmp_path: Path) -> None:
    """What the file holds, what was asked for, what is allowed."""
    record(tmp_path / "left_ribbon.wav", integers(FRAMES))
    (line,) = told(tmp_path, {"ribbon": {"channel": "right"}})
    assert "it holds 1 channel, and the recipe asks for channel 2; allowed: 1 to 1" in line
    assert line.endswith("[no-such-channel]")


@pytest.mark.parametrize("channels", [2, 3])
def test_channels_that_differ_say_which_line_to_write(tmp_path: Path, channels: int) -> None:
    """The line of the recipe, with the mic's name in it."""
    record(tmp_path / "left_room.wav", integers(FRAMES, channels))
    (line,) = told(tmp_path, {"room": {"role": "room"}})
    assert "mics: {room: {channel: 1}}" in line


def test_one_performance_may_take_another_channel(tmp_path: Path) -> None:
    """performances.<name>.mics.<name>.channel."""
    samples = integers(FRAMES, 2)
    record(tmp_path / "left_ribbon.wav", samples)
    exceptions = {"left": {"bus": "left", "mics": {"ribbon": {"channel": 2}}}}
    song = taken_in(tmp_path, {"ribbon": {"channel": 1}}, exceptions)
    assert np.array_equal(heard(song, "ribbon"), samples[:, 1] / 2.0**31)
