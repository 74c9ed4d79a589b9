"""Intake: headers of all files, every problem at once, and what is only worth a finding."""

import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from premix.audio.chunks import BextFields
from premix.audio.writer import PartWriter
from premix.errors import Finding, TracksError
from premix.messages import REMEDIES
from premix.model.song import Song
from premix.model.tracks import FoundTrack, Track
from premix.tracks.intake import take_in
from tests.audio.recordings import integers, record
from tests.rigs.songs import recipe_of, song_from

WANTED = song_from(
    recipe_of({"dynamic": {}, "ribbon": {}, "room": {"role": "room"}}, ("left", "right"), song="Tidewater")
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
        take_in(WANTED, found, folder)
    assert all(p.slug in REMEDIES for p in caught.value.problems)
    return [(p.slug, p.where.split(" ")[0]) for p in caught.value.problems]


def findings(song: Song) -> list[tuple[str, str, str]]:
    assert all(f.slug in REMEDIES and f.hint == REMEDIES[f.slug] for f in song.findings)
    return [(f.slug, f.severity, f.subject) for f in song.findings]


def tracks(song: Song) -> list[Track]:
    return [mic.track for mic in song.mics]


def test_good_session_is_taken_in_without_a_word(session: list[FoundTrack], tmp_path: Path) -> None:
    """Order, length and rate of the files; nothing found."""
    song = take_in(WANTED, session, tmp_path)
    assert [(t.performance, t.mic, t.header.path) for t in tracks(song)] == [
        (f.performance, f.mic, f.path) for f in session
    ]
    assert (song.name, song.rate, song.frames, song.time_reference) == ("Tidewater", 48000, 4000, None)
    assert all(t.start == 0 and t.channel == 0 for t in tracks(song))
    assert (song.folder, song.findings) == (tmp_path, ())


def test_song_is_named_after_the_folder(
    session: list[FoundTrack], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the recipe names none, even when the folder is given as '.'."""
    nameless = replace(WANTED, name="")
    assert take_in(nameless, session, tmp_path).name == tmp_path.name
    monkeypatch.chdir(tmp_path)
    assert take_in(nameless, session, Path()).name == tmp_path.name


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
        take_in(WANTED, session, tmp_path)
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
    song = take_in(WANTED, session, tmp_path)
    assert findings(song) == [("equal-channels", "info", "left/dynamic")]
    assert tracks(song)[0].channel == 0


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
        take_in(WANTED, session, tmp_path)


def test_eight_bits_are_refused(session: list[FoundTrack], tmp_path: Path) -> None:
    """48 dB of range are no recording."""
    record(session[0].path, integers(4000), "PCM_U8")
    record(session[1].path, integers(4000), "PCM_S8", "AIFF")
    assert slugs(session, tmp_path) == [("eight-bit", "left/dynamic"), ("eight-bit", "left/ribbon")]


def test_lossy_coding_is_a_warning(session: list[FoundTrack], tmp_path: Path) -> None:
    """It can be used, but its phase is not the mic's."""
    record(session[0].path, integers(4000), "IMA_ADPCM")
    assert ("lossy-file", "warning", "left/dynamic") in findings(take_in(WANTED, session, tmp_path))


def test_wrong_extension_is_a_warning(session: list[FoundTrack], tmp_path: Path) -> None:
    """The contents count; but something renamed it."""
    record(session[0].path, integers(4000), container="FLAC")
    record(session[1].path, integers(4000), container="RF64")  # goes by .wav too
    assert findings(take_in(WANTED, session, tmp_path)) == [("wrong-extension", "warning", "left/dynamic")]


def test_damaged_file_is_used_only_on_request(session: list[FoundTrack], tmp_path: Path) -> None:
    """`recover` reads what is there, says so, and pads the rest."""
    whole = session[0].path.read_bytes()
    session[0].path.write_bytes(whole[: 44 + 3 * 1000])
    unfinished = session[1].path.read_bytes()
    session[1].path.write_bytes(unfinished[:40] + struct.pack("<I", 0xFFFFFFFF) + unfinished[44:])
    assert slugs(session, tmp_path) == [("truncated-file", "left/dynamic"), ("unfinalised-header", "left/ribbon")]
    song = take_in(WANTED, session, tmp_path, recover=True)
    assert [t.header.frames for t in tracks(song)[:3]] == [1000, 4000, 4000]
    assert [t.header.recovered for t in tracks(song)[:3]] == [True, True, False]
    assert findings(song) == [
        ("recovered-file", "warning", "left/dynamic"),
        ("recovered-file", "warning", "left/ribbon"),
        ("padded", "info", "left/dynamic"),
    ]


def test_what_has_no_file_is_left_out_of_the_song(session: list[FoundTrack], tmp_path: Path) -> None:
    """A mic of one performance, and a performance as a whole; the others stay in order, with what was told before."""
    before = Finding("track-unused-files", "info", tmp_path.name, "1 audio file not used: x.wav")
    song = take_in(WANTED.tell(before), [session[0], session[2]], tmp_path)
    assert [mic.label for mic in song.mics] == ["left/dynamic", "left/room"]
    assert [p.name for p in song.performances] == ["left"]
    assert song.findings == (before,)


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
    song = take_in(WANTED, session, tmp_path)
    assert [t.start for t in tracks(song)] == [0, 0, 100, 2000, 2001, 2000]
    assert (song.time_reference, song.frames) == (5000, 6001)
