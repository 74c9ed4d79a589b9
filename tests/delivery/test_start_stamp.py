"""What the bext chunk of every output says."""

import json
import subprocess
from dataclasses import replace

import pytest
from wavinfo import WavInfoReader

from premix.audio.chunks import BextFields
from premix.delivery.part_files import bext_of
from premix.model.mix import Part
from premix.model.song import Mic
from tests.delivery.conftest import RATE, START, Rendered
from tests.rigs.songs import Settings, recipe_of, song_from, with_tracks


def bext(part: Part, time_reference: int | None, dates: tuple[str | None, ...] = (None,), **deliver: int) -> BextFields:
    """The fields of one part of a song at 48 kHz, a mic a date."""
    mics: Settings = {f"mic{n}": {} for n in range(len(dates))}
    song = with_tracks(song_from(recipe_of(mics, song="Tidewater", deliver=deliver)), RATE, 100)

    def dated(mic: Mic) -> Mic:
        date = dates[list(mics).index(mic.name)]
        header = replace(mic.track.header, origination_date=date, origination_time="10:00:00" if date else None)
        return replace(mic, track=replace(mic.track, header=header))

    return bext_of(part, replace(song.with_mics(dated), time_reference=time_reference))


def test_every_written_file_starts_at_the_common_start(rendered: Rendered) -> None:
    """Dropped into a workstation, all files land where the recordings were; read by wavinfo."""
    files = sorted(rendered.out.rglob("*.wav"))
    assert len(files) == 7
    for path in files:
        fields = WavInfoReader(str(path)).bext
        assert fields.time_reference == START
        assert fields.originator == "premix"
        assert (fields.originator_date, fields.originator_time) == ("2024-03-01", "20:00:00")  # the earliest input's
        assert fields.description.startswith("Tidewater, ")


def test_loudness_fields_are_those_of_the_manifest(rendered: Rendered) -> None:
    """Patched into the finished file; hundredths of a LU or dB."""
    for file in rendered.run.rendering.files:
        fields = WavInfoReader(str(rendered.out / file.path)).bext
        assert fields.loudness_value == pytest.approx(file.measures.loudness_lufs, abs=0.0051)
        assert fields.max_true_peak == pytest.approx(file.measures.true_peak_dbtp, abs=0.0051)


@pytest.mark.tools("ffmpeg")
def test_ffprobe_reads_the_chunk_of_every_file(rendered: Rendered) -> None:
    """FFmpeg's own parser: description, originator, date, start and coding history are those that wavinfo reads."""
    for path in sorted(rendered.out.rglob("*.wav")):
        command = ["ffprobe", "-v", "error", "-show_format", "-of", "json", str(path)]
        tags = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)["format"]["tags"]
        fields = WavInfoReader(str(path)).bext
        assert tags["comment"] == fields.description
        assert (tags["encoded_by"], tags["date"], tags["creation_time"]) == ("premix", "2024-03-01", "20:00:00")
        assert int(tags["time_reference"]) == START
        assert tags["coding_history"].split() == fields.coding_history.split()


@pytest.mark.tools("sndfile-info")
def test_sndfile_info_reads_the_chunk_of_every_file(rendered: Rendered) -> None:
    """libsndfile's own program: the same, and the loudness fields of the manifest, to their two decimals."""
    for file in rendered.run.rendering.files:
        command = ["sndfile-info", "--broadcast", str(rendered.out / file.path)]
        lines = subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()
        said = {name.strip(): text.strip() for name, _, text in (line.partition(":") for line in lines)}
        assert said["Description"] == WavInfoReader(str(rendered.out / file.path)).bext.description
        assert (said["Originator"], said["Origination date"], said["Origination time"]) == (
            "premix",
            "2024-03-01",
            "20:00:00",
        )
        assert int(said["Time ref"].split()[0], 0) == START  # in hexadecimal where it is not 0
        assert said["BWF version"] == "2"
        assert float(said["Loudness value"].split()[0]) == pytest.approx(file.measures.loudness_lufs, abs=0.0051)
        assert float(said["Max. true peak level"].split()[0]) == pytest.approx(file.measures.true_peak_dbtp, abs=0.0051)


@pytest.mark.parametrize(
    ("part", "text"),
    [
        (Part("stem_left_a", "stem", 1, "left_a", bus="left"), "Tidewater, stem left_a"),
        (Part("room_left_a", "room", 1, "left_a", "room"), "Tidewater, room left_a room"),
        (Part("bus_left", "bus", 1, bus="left"), "Tidewater, bus left"),
        (Part("guitars", "guitar_bus", 2), "Tidewater, guitar bus"),
    ],
)
def test_description_names_song_and_part(part: Part, text: str) -> None:
    """What a workstation shows beside the file."""
    assert bext(part, 0).description == text


def test_coding_history_says_what_was_done() -> None:
    """Lines of EBU R 98: coding, rate, width, mode, and free text that holds no comma."""
    lines = bext(Part("guitars", "guitar_bus", 2), 0, rate=44100, bits=16).coding_history.splitlines()
    assert lines[0] == "A=PCM,F=48000,W=24,M=mono,T=1 tracks"
    assert lines[1].startswith("A=PCM,F=44100,W=16,M=stereo,T=premix ")
    assert all(line.count(",") == 4 for line in lines)


def test_start_keeps_its_time_of_day_at_another_rate() -> None:
    """One hour is one hour; rounded to whole samples."""
    part = Part("guitars", "guitar_bus", 2)
    assert bext(part, 3600 * 48000, rate=44100).time_reference == 3600 * 44100
    assert bext(part, 48001, rate=96000).time_reference == 96002
    assert bext(part, None).time_reference == 0


def test_date_is_the_earliest_of_the_tracks() -> None:
    """Never the clock; nothing where no track has one."""
    part = Part("guitars", "guitar_bus", 2)
    dated = bext(part, 0, (None, "2024-02-02", "2024-01-31"))
    assert (dated.date, dated.time) == ("2024-01-31", "10:00:00")
    undated = bext(part, 0, (None, None))
    assert (undated.date, undated.time) == ("", "")
