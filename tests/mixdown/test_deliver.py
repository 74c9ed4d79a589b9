"""What `deliver` asks for: which files there are, how they belong together, rates, formats, muted parts."""

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal.windows import tukey

from premix.arrays import FloatArray
from premix.pipeline import render
from tests.rigs.sessions import Song, hashes, manifest_of, parts_of, riff, samples, write_song

RATE = 48000
FRAMES = 2 * RATE
RECIPE = """\
format: 1
song: Deliver
mics:
  dynamic: {polarity: normal, delay: none}
  ribbon: {gain_db: -3, polarity: inverted, delay: {samples: 6.37}}
  room: {role: room, gain_db: -6, polarity: normal}
performances:
  left: {bus: left, gain_db: -3}
  right: {bus: right, gain_db: -1}
  centre: {bus: centre, gain_db: -2}
deliver: {bits: 32}
"""
FLOAT_ROUNDING = 2.0**-25
"""Half a step of a 32-bit float below full scale."""


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Three performances of three mics."""
    takes = {
        f"{name}_{mic}": riff(seed, FRAMES, peak=0.3)
        for seed, name in enumerate(("left", "right", "centre"))
        for mic in ("dynamic", "ribbon", "room")
    }
    return write_song(tmp_path_factory.mktemp("deliver"), RECIPE, takes)


@pytest.fixture(scope="module")
def all_files(song: Song) -> Path:
    """Everything that can be delivered."""
    kinds = "stems, rooms, rooms_ungated, buses, guitar_bus, aligned_mics, guitar_bus_without_centre"
    render(song.recipe, song.tracks, song.out("all"), settings=[f"deliver.files=[{kinds}]"])
    assert manifest_of(song.out("all"))["trim_db"] == 0.0
    return song.out("all")


@pytest.mark.parametrize(
    ("kind", "parts"),
    [
        ("stems", {"stem_left", "stem_right", "stem_centre"}),
        ("rooms", {"room_left", "room_right", "room_centre"}),
        ("rooms_ungated", {"room_ungated_left", "room_ungated_right", "room_ungated_centre"}),
        ("buses", {"bus_left", "bus_right", "bus_centre"}),
        ("guitar_bus", {"guitars"}),
        ("guitar_bus_without_centre", {"guitars_without_centre"}),
        ("aligned_mics", {f"mic_{p}_{m}" for p in ("left", "right", "centre") for m in ("dynamic", "ribbon", "room")}),
    ],
)
def test_each_kind_of_file_alone_is_the_same_as_among_all(
    song: Song, all_files: Path, tmp_path: Path, kind: str, parts: set[str]
) -> None:
    """What is delivered changes no sample of it: its hash is the one it has when everything is delivered."""
    render(song.recipe, song.tracks, tmp_path / "out", settings=[f"deliver.files=[{kind}]"])
    made, everything = hashes(tmp_path / "out"), hashes(all_files)
    assert made == {part: everything[part] for part in parts}
    written = {p.relative_to(tmp_path / "out").as_posix() for p in (tmp_path / "out").rglob("*.wav")}
    assert written == {entry["path"] for entry in parts_of(tmp_path / "out").values()}


def test_aligned_mics_add_up_to_the_stem(all_files: Path) -> None:
    """Close mics, as aligned and at their gains, are the stem: half a float step for each of three files."""
    for name in ("left", "right", "centre"):
        mics = samples(all_files, f"mic_{name}_dynamic") + samples(all_files, f"mic_{name}_ribbon")
        assert np.max(np.abs(mics - samples(all_files, f"stem_{name}"))) <= 3 * FLOAT_ROUNDING


def test_ungated_rooms_are_the_rooms_of_a_gate_that_is_off(song: Song, all_files: Path, tmp_path: Path) -> None:
    """rooms_ungated, the aligned room mic and a room whose gate is off are one sound; the gated room is another."""
    render(song.recipe, song.tracks, tmp_path / "out", settings=["gate.mode=off", "deliver.files=[rooms]"])
    off, made = hashes(tmp_path / "out"), hashes(all_files)
    for name in ("left", "right", "centre"):
        assert made[f"room_ungated_{name}"] == made[f"mic_{name}_room"] == off[f"room_{name}"]
        assert made[f"room_{name}"] != off[f"room_{name}"]


def test_guitar_bus_without_centre_is_what_is_left(all_files: Path) -> None:
    """Guitars less the centre bus at its pan gains: half a float step for each of four numbers."""
    (centre,) = [b for b in manifest_of(all_files)["buses"] if b["bus"] == "centre"]
    gains = np.array([[centre["left_gain"]], [centre["right_gain"]]])
    rest = samples(all_files, "guitars") - gains * samples(all_files, "bus_centre")
    assert np.max(np.abs(rest - samples(all_files, "guitars_without_centre"))) <= 4 * FLOAT_ROUNDING


def test_all_files_start_together_and_have_one_length(all_files: Path) -> None:
    """Same frames, same rate, for mono and stereo files alike; mics of a whole-sample delay at their own places."""
    heads = [soundfile.info(path) for path in all_files.rglob("*.wav")]
    assert len(heads) == len(parts_of(all_files)) == 3 * 3 + 3 + 2 + 9
    assert {(h.frames, h.samplerate) for h in heads} == {(FRAMES, RATE)}
    left = np.round(riff(0, FRAMES, peak=0.3) * 2.0**23) / 2.0**23 * 10.0 ** (-3 / 20)
    assert np.max(np.abs(samples(all_files, "mic_left_dynamic")[0] - left)) <= FLOAT_ROUNDING


@pytest.mark.parametrize("where", ["performances.right.mute=true", "buses.right.mute=true"])
def test_muted_parts_are_absent_and_the_others_unchanged(
    song: Song, all_files: Path, tmp_path: Path, where: str
) -> None:
    """A muted performance, or one on a muted bus, leaves no file and no sound; nothing else moves."""
    render(song.recipe, song.tracks, tmp_path / "out", settings=[where])
    made, everything = hashes(tmp_path / "out"), hashes(all_files)
    assert set(made) == {"stem_left", "stem_centre", "room_left", "room_centre", "bus_left", "bus_centre", "guitars"}
    assert all(made[part] == everything[part] for part in made if part != "guitars")
    centre = 10.0 ** (-3.0103 / 20.0) * samples(tmp_path / "out", "bus_centre")[0]
    # Nothing of the right bus is left on the right side; -3.0103 dB is given to four decimals.
    assert np.max(np.abs(samples(tmp_path / "out", "guitars")[1] - centre)) < 1e-6


def test_muted_mic_leaves_the_others(song: Song, all_files: Path, tmp_path: Path) -> None:
    """Without the ribbon the stem is the dynamic mic alone, half a float step for each of the two files."""
    settings = ["performances.left.mics={ribbon: {mute: true}}", "deliver.files=[stems]"]
    render(song.recipe, song.tracks, tmp_path / "out", settings=settings)
    assert hashes(tmp_path / "out")["stem_left"] == hashes(all_files)["mic_left_dynamic"]
    assert hashes(tmp_path / "out")["stem_right"] == hashes(all_files)["stem_right"]


@pytest.mark.parametrize("bits", [16, 24])
def test_flac_holds_the_same_samples(song: Song, tmp_path: Path, bits: int) -> None:
    """FLAC is lossless (RFC 9639): same hashes as WAV in the manifest, and the same integers in the files."""
    for container in ("wav", "flac"):
        settings = [f"deliver.format={container}", f"deliver.bits={bits}"]
        render(song.recipe, song.tracks, tmp_path / container, settings=settings)
    assert hashes(tmp_path / "flac") == hashes(tmp_path / "wav")
    for part, entry in parts_of(tmp_path / "flac").items():
        path = tmp_path / "flac" / entry["path"]
        assert (soundfile.info(path).format, soundfile.info(path).subtype) == ("FLAC", f"PCM_{bits}")
        np.testing.assert_array_equal(samples(tmp_path / "flac", part), samples(tmp_path / "wav", part))


def chirp(rate: int, frames: int, late_s: float = 0.0) -> FloatArray:
    """A sweep from 50 Hz to 17 kHz under a smooth window, known at every instant: (frames) at any rate."""
    length = FRAMES / RATE
    time = np.arange(frames) / rate - late_s
    phase = 2 * np.pi * (50.0 * time + 0.5 * (17000.0 - 50.0) / length * time**2)
    fade = np.interp(time, np.linspace(0, length, 4001), tukey(4001, 0.2), left=0.0, right=0.0)
    return np.asarray(0.4 * fade * np.sin(phase))


@pytest.mark.parametrize(("rate", "frames"), [(44100, 88203), (96000, 192006), (88200, 176406), (192000, 384012)])
def test_other_rates_have_exact_length_and_no_delay(tmp_path: Path, rate: int, frames: int) -> None:
    """A sweep of an odd length: the nearest whole number of frames, and the sweep at its own instants.

    -80 dB: the fade is drawn with 4000 straight pieces, whose bends no rate holds; a delay of a hundredth of a
    sample at 17 kHz would leave -27 dB.
    """
    length = FRAMES + 3
    song = write_song(
        tmp_path,
        "format: 1\nmics: {dynamic: {}}\nperformances: {left: {bus: left}}\n",
        {"left_dynamic": chirp(RATE, length)},
    )
    render(song.recipe, song.tracks, song.out(), settings=[f"deliver.rate={rate}", "deliver.bits=32"])
    assert frames == round(length * rate / RATE)
    for part in ("stem_left", "bus_left", "guitars"):
        made = samples(song.out(), part)
        assert made.shape[1] == frames
        assert np.max(np.abs(made[0] - chirp(rate, frames))) < 0.4e-4
        assert soundfile.info(song.out() / parts_of(song.out())[part]["path"]).samplerate == rate
