"""Intake: headers of all files, every problem at once, and what is only worth a finding."""

import struct
from pathlib import Path

import numpy as np
import pytest

from premix.audio.bext import BextFields
from premix.audio.writer import PartWriter
from premix.errors import TracksError
from premix.messages import REMEDIES
from premix.model.recipe import Recipe
from premix.model.tracks import FoundTrack, TrackSet
from premix.tracks.intake import take_in
from tests.audiofile.recordings import integers, record

RECIPE = Recipe.model_validate(
    {
        "format": 1,
        "song": "Tidewater",
        "mics": {"dynamic": {}, "ribbon": {}, "room": {"role": "room"}},
        "performances": {"left": {"bus": "left"}, "right": {"bus": "right"}},
    }
)
MICS = ("dynamic", "ribbon", "room")


@pytest.fixture
def session(tmp_path: Path) -> list[FoundTrack]:
    """Six good tracks of two performances."""
    found = [FoundTrack(p, m, tmp_path / f"{p}_{m}.wav") for p in ("left", "right") for m in MICS]
    for number, item in enumerate(found):
        record(item.path, integers(4000, seed=number))
    return found


def slugs(found: list[FoundTrack], folder: Path) -> list[tuple[str, str]]:
    """(slug, track) of every problem."""
    with pytest.raises(TracksError) as caught:
        take_in(found, RECIPE, folder)
    assert all(p.slug in REMEDIES for p in caught.value.problems)
    return [(p.slug, p.where.split(" ")[0]) for p in caught.value.problems]


def findings(tracks: TrackSet) -> list[tuple[str, str, str]]:
    assert all(f.slug in REMEDIES and f.hint == REMEDIES[f.slug] for f in tracks.findings)
    return [(f.slug, f.severity, f.subject) for f in tracks.findings]


def test_good_session_is_taken_in_without_a_word(session: list[FoundTrack], tmp_path: Path) -> None:
    """Order, length and rate of the files; nothing found."""
    tracks = take_in(session, RECIPE, tmp_path)
    assert [(t.performance, t.mic) for t in tracks.tracks] == [(f.performance, f.mic) for f in session]
    assert (tracks.song, tracks.rate, tracks.frames, tracks.time_reference) == ("Tidewater", 48000, 4000, None)
    assert all(t.start == 0 and t.channel == 0 for t in tracks.tracks)
    assert tracks.findings == ()


def test_song_is_named_after_the_folder(
    session: list[FoundTrack], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the recipe names none, even when the folder is given as '.'."""
    recipe = RECIPE.model_copy(update={"song": None})
    assert take_in(session, recipe, tmp_path).song == tmp_path.name
    monkeypatch.chdir(tmp_path)
    assert take_in(session, recipe, Path()).song == tmp_path.name


def test_all_problems_of_all_files_come_at_once(session: list[FoundTrack], tmp_path: Path) -> None:
    """One run tells everything that is wrong, one line a file."""
    session[0].path.unlink()
    session[1].path.write_bytes(b"")
    session[2].path.write_text("mic stood two metres from the cabinet")
    whole = session[3].path.read_bytes()
    session[3].path.write_bytes(whole[:2000])
    record(session[4].path, integers(4000), rate=44100)
    assert slugs(session, tmp_path) == [
        ("missing-file", "left/dynamic"),
        ("empty-file", "left/ribbon"),
        ("not-audio", "left/room"),
        ("truncated-file", "right/dynamic"),
        # of the two that can be read, neither rate has most
        ("mixed-rates", "right/ribbon"),
        ("mixed-rates", "right/room"),
    ]


def test_odd_rates_are_named_with_the_usual_one(session: list[FoundTrack], tmp_path: Path) -> None:
    """The files that differ from most, each with its rate and with what the others have."""
    record(session[1].path, integers(4000), rate=44100)
    record(session[5].path, integers(4000), rate=96000)
    with pytest.raises(TracksError) as caught:
        take_in(session, RECIPE, tmp_path)
    lines = [p.line() for p in caught.value.problems]
    assert len(lines) == 2
    assert "left/ribbon (left_ribbon.wav): its sample rate is 44100 Hz; 4 of 6 tracks are at 48000 Hz" in lines[0]
    assert "right/room" in lines[1]
    assert "96000 Hz" in lines[1]


def test_same_file_twice_is_an_error_by_any_name(session: list[FoundTrack], tmp_path: Path) -> None:
    """A file that stands for two mics would align perfectly with itself."""
    session[1] = FoundTrack("left", "ribbon", session[0].path)
    session[4].path.unlink()
    session[4].path.symlink_to(session[3].path)
    session[5].path.unlink()
    session[5].path.hardlink_to(session[3].path)
    assert slugs(session, tmp_path) == [
        ("used-twice", "left/ribbon"),
        ("used-twice", "right/ribbon"),
        ("used-twice", "right/room"),
    ]


def test_stereo_with_equal_channels_is_read_as_mono(session: list[FoundTrack], tmp_path: Path) -> None:
    """A mono mic exported as stereo: the first channel, and a finding."""
    record(session[0].path, np.repeat(integers(4000), 2, axis=1))
    tracks = take_in(session, RECIPE, tmp_path)
    assert findings(tracks) == [("equal-channels", "info", "left/dynamic")]
    assert tracks.tracks[0].channel == 0


@pytest.mark.parametrize(
    ("channels", "slug"), [(2, "channels-differ"), (3, "too-many-channels"), (6, "too-many-channels")]
)
def test_more_than_one_mic_in_a_file_is_refused(
    session: list[FoundTrack], tmp_path: Path, channels: int, slug: str
) -> None:
    """Different channels are different mics; premix does not choose."""
    record(session[0].path, integers(4000, channels))
    assert slugs(session, tmp_path) == [(slug, "left/dynamic")]


def test_time_of_the_first_difference_is_named(session: list[FoundTrack], tmp_path: Path) -> None:
    """So that it can be looked at."""
    samples = np.repeat(integers(96000), 2, axis=1)
    samples[72000, 1] ^= 256
    record(session[0].path, samples)
    with pytest.raises(TracksError, match=r"its channels differ from 1\.500 s on"):
        take_in(session, RECIPE, tmp_path)


def test_eight_bits_are_refused(session: list[FoundTrack], tmp_path: Path) -> None:
    """48 dB of range are no recording."""
    record(session[0].path, integers(4000), "PCM_U8")
    record(session[1].path, integers(4000), "PCM_S8", "AIFF")
    assert slugs(session, tmp_path) == [("eight-bit", "left/dynamic"), ("eight-bit", "left/ribbon")]


def test_lossy_coding_is_a_warning(session: list[FoundTrack], tmp_path: Path) -> None:
    """It can be used, but its phase is not the mic's."""
    record(session[0].path, integers(4000), "IMA_ADPCM")
    assert ("lossy-file", "warning", "left/dynamic") in findings(take_in(session, RECIPE, tmp_path))


def test_wrong_extension_is_a_warning(session: list[FoundTrack], tmp_path: Path) -> None:
    """The contents count; but something renamed it."""
    record(session[0].path, integers(4000), container="FLAC")
    record(session[1].path, integers(4000), container="RF64")  # goes by .wav too
    assert findings(take_in(session, RECIPE, tmp_path)) == [("wrong-extension", "warning", "left/dynamic")]


def test_damaged_file_is_used_only_on_request(session: list[FoundTrack], tmp_path: Path) -> None:
    """`recover` reads what is there, says so, and pads the rest."""
    whole = session[0].path.read_bytes()
    session[0].path.write_bytes(whole[: 44 + 3 * 1000])
    unfinished = session[1].path.read_bytes()
    session[1].path.write_bytes(unfinished[:40] + struct.pack("<I", 0xFFFFFFFF) + unfinished[44:])
    assert slugs(session, tmp_path) == [("truncated-file", "left/dynamic"), ("unfinalised-header", "left/ribbon")]
    tracks = take_in(session, RECIPE, tmp_path, recover=True)
    assert [t.header.frames for t in tracks.tracks[:3]] == [1000, 4000, 4000]
    assert [t.header.recovered for t in tracks.tracks[:3]] == [True, True, False]
    assert findings(tracks) == [
        ("recovered-file", "warning", "left/dynamic"),
        ("recovered-file", "warning", "left/ribbon"),
        ("padded", "info", "left/dynamic"),
    ]


def test_no_track_at_all_is_an_error(tmp_path: Path) -> None:
    """Every mic optional and none there."""
    assert slugs([], tmp_path) == [("no-tracks", str(tmp_path))]


def test_start_times_put_tracks_on_one_line(session: list[FoundTrack], tmp_path: Path) -> None:
    """From the files' own bext chunks, in whole samples."""
    for item, time in zip(session, (5000, 5000, 5100, 7000, 7001, 7000), strict=True):
        item.path.unlink()
        fields = BextFields(time_reference=time, date="2024-05-06", time="07:08:09")
        with PartWriter(item.path, rate=48000, channels=1, frames=4000, bext=fields) as writer:
            writer.write(np.zeros((1, 4000)))
            writer.close()
    tracks = take_in(session, RECIPE, tmp_path)
    assert [t.start for t in tracks.tracks] == [0, 0, 100, 2000, 2001, 2000]
    assert (tracks.time_reference, tracks.frames) == (5000, 6001)
