"""What travels in the files: bext with its coding history, iXML, RF64; each read by three readers not of premix."""

import hashlib
import json
import re
import struct
import subprocess
from pathlib import Path
from xml.etree import ElementTree

import pytest
from wavinfo import WavInfoReader

from premix.audio import writer as sinks
from premix.audio.chunks import BextFields
from premix.audio.writer import PartWriter
from tests.cli.conftest import Premix
from tests.rigs.sessions import FloatArray, Song, parts_of, riff, write_song

RATE = 48000
START = 36_000 * RATE + 12_345  # 10:00:00 and a bit
RECIPE = """\
format: 1
song: Süd
mics:
  dynamic: {polarity: normal, delay: none}
  room: {role: room, polarity: normal}
performances: {left: {bus: left}}
"""


def stamped(path: Path, signal: FloatArray) -> None:
    """A track with a start time of its own."""
    path.unlink()
    fields = BextFields(time_reference=START, date="2024-03-01", time="10:00:00")
    with PartWriter(path, rate=RATE, channels=1, frames=len(signal), bext=fields) as writer:
        writer.write(signal[None])
        writer.close()


@pytest.fixture(params=["WAV", "RF64"])
def out(request: pytest.FixtureRequest, premix: Premix, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A render of stamped tracks: as it is, and as files past 4 GB are."""
    tracks = {"left_dynamic": riff(1, RATE), "left_room": 0.3 * riff(1, RATE)}
    song: Song = write_song(tmp_path, RECIPE, tracks)
    for name, signal in tracks.items():
        stamped(song.tracks / f"{name}.wav", signal)
    if request.param == "RF64":
        monkeypatch.setattr(sinks, "LARGEST_WAV", 1000)
    assert premix("render", song.recipe, song.tracks, "--out", song.out(), "--no-report").code == 0
    kinds = {path.read_bytes()[:4] for path in song.out().rglob("*.wav")}
    assert kinds == {b"RF64" if request.param == "RF64" else b"RIFF"}
    return song.out()


def chunks(path: Path) -> dict[str, bytes]:
    """The chunks of a file before its samples, by name: Microsoft's RIFF (1991), and no code of premix."""
    found: dict[str, bytes] = {}
    raw, at = path.read_bytes(), 12
    while at + 8 <= len(raw):
        name, size = struct.unpack("<4sI", raw[at : at + 8])
        if name == b"data":
            return found
        found[name.decode("ascii")] = raw[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    raise AssertionError("no samples")


def audio(out: Path) -> dict[str, Path]:
    """Part -> file."""
    return {part: out / entry["path"] for part, entry in parts_of(out).items()}


def test_bext_by_its_layout(out: Path) -> None:
    """Byte for byte by EBU Tech 3285: description, start, and a coding history in the form of EBU R 98."""
    for part, path in audio(out).items():
        body = chunks(path)["bext"]
        description, originator, _, date, time = (
            field.rstrip(b"\0").decode("ascii") for field in struct.unpack("<256s32s32s10s8s", body[:338])
        )
        assert description.startswith("Sud, ") and originator == "premix"
        assert (date, time) == ("2024-03-01", "10:00:00")
        assert struct.unpack("<Q", body[338:346]) == (START,)
        history = body[602:].rstrip(b"\0").decode("ascii")
        assert history.endswith("\r\n")
        channels = "stereo" if part == "guitars" else "mono"
        for line in history.splitlines():
            pairs = dict(pair.split("=", 1) for pair in line.split(","))
            assert set(pairs) == {"A", "F", "W", "M", "T"} and pairs["A"] == "PCM"
            assert pairs["F"] == "48000" and pairs["W"] == "24" and pairs["M"] in ("mono", "stereo")
        assert f"M={channels},T=premix " in history.splitlines()[1]
        assert "2 tracks" in history.splitlines()[0]


@pytest.mark.tools("ffmpeg")
def test_bext_by_ffprobe(out: Path) -> None:
    """FFmpeg's parser: the same start and history."""
    for path in audio(out).values():
        command = ["ffprobe", "-v", "error", "-show_format", "-of", "json", str(path)]
        tags = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)["format"]["tags"]
        assert int(tags["time_reference"]) == START
        assert tags["coding_history"].count("A=PCM,F=48000,W=24") >= 2
        assert tags["comment"].startswith("Sud, ")


@pytest.mark.tools("sndfile-info")
def test_bext_and_ixml_by_sndfile_info(out: Path) -> None:
    """libsndfile's program: the fields of bext, and the iXML chunk at its length, between chunks that it knows."""
    for path in audio(out).values():
        said = subprocess.run(["sndfile-info", "--broadcast", str(path)], capture_output=True, text=True, check=True)
        fields = {n.strip(): text.strip() for n, _, text in (line.partition(":") for line in said.stdout.splitlines())}
        assert fields["Description"].startswith("Sud, ")
        assert int(fields["Time ref"].split()[0], 16) == START
        said = subprocess.run(["sndfile-info", str(path)], capture_output=True, text=True, check=True)
        found = re.search(r"iXML : (\d+)", said.stdout)  # in RF64 it calls the chunk unknown, and steps over it
        assert found is not None and int(found[1]) == len(chunks(path)["iXML"])
        assert "rror" not in said.stdout and f"Frames      : {RATE}" in said.stdout


def test_ixml_by_a_plain_xml_parser(out: Path) -> None:
    """Well-formed XML (ElementTree): a name a channel, the song with its accent, and the start in two halves."""
    for part, path in audio(out).items():
        root = ElementTree.fromstring(chunks(path)["iXML"].decode("utf-8").encode("utf-8"))
        assert root.tag == "BWFXML" and root.findtext("PROJECT") == "Süd"
        names = [track.findtext("NAME") for track in root.iterfind("TRACK_LIST/TRACK")]
        assert names == ([f"{part} left", f"{part} right"] if part == "guitars" else [part])
        assert root.findtext("TRACK_LIST/TRACK_COUNT") == str(len(names))
        high, low = (
            int(root.findtext(f"SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_{half}") or "") for half in ("HI", "LO")
        )
        assert (high << 32) + low == START
        assert root.findtext("SPEED/TIMESTAMP_SAMPLE_RATE") == root.findtext("SPEED/FILE_SAMPLE_RATE") == "48000"
        assert root.findtext("SPEED/AUDIO_BIT_DEPTH") == "24"
        assert root.findtext("FILE_SET/TOTAL_FILES") == "4"


def test_ixml_and_bext_by_wavinfo(out: Path) -> None:
    """wavinfo, an independent reader of both."""
    for part, path in audio(out).items():
        info = WavInfoReader(str(path))
        assert info.ixml.project == info.ixml.family_name == "Süd"
        names = [track.name for track in info.ixml.track_list]
        assert names[0].startswith(part) and len(names) == parts_of(out)[part]["channels"]
        assert info.bext.time_reference == START


@pytest.mark.tools("ffmpeg", "sox")
def test_the_notes_change_no_sample(out: Path) -> None:
    """Decoded by ffmpeg and by sox: the samples that the manifest has the hash of."""
    for part, path in audio(out).items():
        entry = parts_of(out)[part]
        command = ["ffmpeg", "-v", "error", "-i", str(path), "-f", "s24le", "-"]
        decoded = subprocess.run(command, capture_output=True, check=True).stdout
        assert hashlib.sha256(decoded).hexdigest() == entry["sha256"]
        command = ["sox", str(path), "-t", "raw", "-b", "24", "-e", "signed", "-L", "-"]
        assert subprocess.run(command, capture_output=True, check=True).stdout == decoded


@pytest.mark.tools("ffmpeg")
def test_flac_says_it_in_its_comments(premix: Premix, tmp_path: Path) -> None:
    """FLAC holds no bext; ffprobe reads what stands in its comments (RFC 9639)."""
    song = write_song(tmp_path, RECIPE, {"left_dynamic": riff(1, RATE), "left_room": riff(1, RATE)})
    stamped(song.tracks / "left_dynamic.wav", riff(1, RATE))
    stamped(song.tracks / "left_room.wav", riff(1, RATE))
    command = ("render", song.recipe, song.tracks, "--out", song.out(), "--no-report", "--set", "deliver.format=flac")
    assert premix(*command).code == 0
    path = audio(song.out())["stem_left"]
    probe = ["ffprobe", "-v", "error", "-show_format", "-of", "json", str(path)]
    tags = json.loads(subprocess.run(probe, capture_output=True, check=True).stdout)["format"]["tags"]
    tags = {name.lower(): text for name, text in tags.items()}
    assert tags["title"] == "Süd, stem left" and tags["date"] == "2024-03-01"
    text = tags.get("comment") or tags["description"]
    assert f"start: sample {START} since midnight" in text and "A=PCM,F=48000" in text
