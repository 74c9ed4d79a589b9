"""What a mixer gets: faders at zero and the pans of the sheet make the guitar bus; the level is what was asked for."""

import csv
from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import Premix, Said
from tests.rigs.sessions import (
    FloatArray,
    Song,
    level_db,
    manifest_of,
    parts_of,
    read,
    riff,
    rms_db,
    samples,
    write_song,
)

FRAMES = 96000
RECIPE = """\
format: 1
song: Balance
mics:
  dynamic: {polarity: normal, delay: none}
  ribbon: {gain_db: -3, polarity: inverted, delay: {samples: 6.4}}
  room: {role: room, gain_db: -6, polarity: normal}
performances:
  left: {bus: left, gain_db: -1.5}
  right: {bus: right}
  centre: {bus: centre}
buses:
  left: {pan: -0.8, gain_db: -2}
  right: {pan: 1, gain_db: 0.4}
  centre: {pan: 0, gain_db: -12}
guitar_bus: {gain_db: -1.1}
deliver: {bits: 32}
"""
FLOAT_ROUNDING = 2.0**-25
"""Half a step of a 32-bit float below full scale (IEEE 754)."""


@pytest.fixture(scope="module")
def balanced(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Three performances of two close mics and a room mic."""
    tracks = {
        f"{name}_{mic}": riff(seed, FRAMES, peak=0.4)
        for seed, name in enumerate(("left", "right", "centre"))
        for mic in ("dynamic", "ribbon", "room")
    }
    return write_song(tmp_path_factory.mktemp("balance"), RECIPE, tracks)


def render(premix: Premix, song: Song, out: Path, *settings: str, code: int = 0) -> Said:
    words = [word for setting in settings for word in ("--set", setting)]
    said = premix("render", song.recipe, song.tracks, "--out", out, "--no-report", *words)
    assert said.code == code, said.err
    return said


def fader_rows(out: Path) -> list[dict[str, str]]:
    (path,) = out.glob("*_faders.csv")
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def imported(out: Path, way: str) -> tuple[FloatArray, int]:
    """The files of one way as a mixer's session plays them, and how many they are: faders and pans of the sheet."""
    rows = [row for row in fader_rows(out) if row["way"] == way]
    total = np.zeros((2, FRAMES))
    for row in rows:
        fader, left, right = (10.0 ** (float(row[key]) / 20.0) for key in ("fader_db", "left_db", "right_db"))
        total += fader * np.array([[left], [right]]) * read(out / row["file"])
    return total, len(rows)


@pytest.mark.parametrize("way", ["stems and rooms", "buses"])
@pytest.mark.parametrize("settings", [(), ("deliver.room=stem",), ("deliver.room=both",)], ids=str)
def test_at_zero_faders_the_files_are_the_guitar_bus(
    premix: Premix, balanced: Song, tmp_path: Path, way: str, settings: tuple[str, ...]
) -> None:
    """in_files, the default: every fader at 0 dB, nothing but the pans. The null is below -140 dB in float."""
    out = tmp_path / "out"
    render(premix, balanced, out, *settings)
    assert {row["fader_db"] for row in fader_rows(out) if row["way"] == way} == {"0"}
    made, count = imported(out, way)
    rest = made - samples(out, "guitars")
    assert rms_db(rest) < -140.0
    assert np.max(np.abs(rest)) <= FLOAT_ROUNDING * (count + 1)
    assert level_db(made) > -20.0


@pytest.mark.parametrize("way", ["stems and rooms", "buses"])
def test_in_sheet_the_faders_make_it(premix: Premix, balanced: Song, tmp_path: Path, way: str) -> None:
    """in_sheet: the files are as the performances were summed; the balance stands in the sheet's faders."""
    out = tmp_path / "out"
    render(premix, balanced, out, "deliver.balance=in_sheet")
    faders = {row["file"].rpartition("_")[2]: float(row["fader_db"]) for row in fader_rows(out) if row["way"] == way}
    wanted = (
        {"left": -3.1, "right": -0.7, "centre": -13.1}
        if way == "stems and rooms"
        else {"left": -1.1, "right": -1.1, "centre": -1.1}
    )
    assert faders == pytest.approx({f"{name}.wav": db for name, db in wanted.items()}, abs=1e-9)
    rest = imported(out, way)[0] - samples(out, "guitars")
    assert rms_db(rest) < -140.0


def test_the_balance_differs_by_the_gains_and_nothing_else(premix: Premix, balanced: Song, tmp_path: Path) -> None:
    """The centre's stem is 13.1 dB lower in the files; the guitar bus is the same to the last bit."""
    for balance in ("in_files", "in_sheet"):
        render(premix, balanced, tmp_path / balance, f"deliver.balance={balance}")
    files, sheet = (parts_of(tmp_path / balance) for balance in ("in_files", "in_sheet"))
    assert files["guitars"]["sha256"] == sheet["guitars"]["sha256"]
    apart = files["stem_centre"]["rms_dbfs"] - sheet["stem_centre"]["rms_dbfs"]
    assert apart == pytest.approx(-13.1, abs=1e-4)  # 32-bit rounding of both
    document = manifest_of(tmp_path / "in_files")
    assert document["balance"] == "in_files" and document["guitar_bus"]["gain_db"] == 0.0
    assert manifest_of(tmp_path / "in_sheet")["guitar_bus"]["gain_db"] == pytest.approx(-1.1)


def test_a_width_and_chains_are_told_where_files_cannot_hold_them(
    premix: Premix, balanced: Song, tmp_path: Path
) -> None:
    """What a fader cannot do stands in the sheet: the width as a step, a chain at every file that lacks it."""
    out = tmp_path / "out"
    chain = "buses.left.chain=[{high_pass: {cutoff_hz: 90}}]"
    render(premix, balanced, out, "guitar_bus.width=1.3", chain)
    text = next(out.glob("*_track_sheet.txt")).read_text("utf-8")
    assert "width 1.3 (side signal +2.28 dB)" in text
    notes = {row["file"].rpartition("/")[2]: row["notes"] for row in fader_rows(out)}
    assert notes["Balance_stem_left.wav"] == "without the chain of bus left (high_pass)"
    assert notes["Balance_stem_right.wav"] == notes["Balance_bus_left.wav"] == ""


def test_files_beside_the_mix_stay_down(premix: Premix, balanced: Song, tmp_path: Path) -> None:
    """Aligned mics and rooms before their gate are in the other files: faders off, and the sheet says why."""
    out = tmp_path / "out"
    render(premix, balanced, out, "deliver.files=[stems, rooms, rooms_ungated, aligned_mics, guitar_bus]")
    beside = [row for row in fader_rows(out) if row["way"] == "beside the mix"]
    assert len(beside) == 3 * 4
    assert {row["fader_db"] for row in beside} == {"-inf"}
    assert all(row["notes"].startswith("stays down: ") for row in beside)
    assert rms_db(imported(out, "stems and rooms")[0] - samples(out, "guitars")) < -140.0
    # At their gains, the mics are still the stem.
    mics = samples(out, "mic_left_dynamic") + samples(out, "mic_left_ribbon")
    assert np.max(np.abs(mics - samples(out, "stem_left"))) <= 3 * FLOAT_ROUNDING


def test_the_sheet_begins_with_the_faders(premix: Premix, balanced: Song, tmp_path: Path) -> None:
    """Rate, start, common gain; then the faders; then the mics, with a legend for the signs; then the checksums."""
    out = tmp_path / "out"
    render(premix, balanced, out)
    lines = next(out.glob("*_track_sheet.txt")).read_text("utf-8").splitlines()
    assert lines[1].startswith("48000 Hz, 96000 samples (2.000 s), 32 bits")
    places = [
        next(at for at, line in enumerate(lines) if line.startswith(start))
        for start in ("common gain of every file", "Faders and pans", "delay: + = was late", "left: gain", "SHA-256")
    ]
    assert places == sorted(places) and places[1] < 8
    assert any("+0.133" in line and "ribbon" in line for line in lines)  # 6.4 samples late
    told = {line.split()[0] for line in lines[places[-1] + 1 :]}
    assert {entry["sha256"] for entry in (*parts_of(out).values(), *manifest_of(out)["inputs"])} == told


@pytest.mark.parametrize(("lufs", "up"), [(-18.0, False), (-40.0, False), (-16.0, True)])
def test_a_loudness_is_met_by_one_gain(premix: Premix, balanced: Song, tmp_path: Path, lufs: float, up: bool) -> None:
    """The guitar bus at what was asked, to a hundredth, up or down; every file by the same gain."""
    quiet = ("guitar_bus.gain_db=-12",) if up else ()
    plain, out = tmp_path / "plain", tmp_path / "out"
    render(premix, balanced, plain, *quiet)
    render(premix, balanced, out, *quiet, f"deliver.level={{loudness_lufs: {lufs}}}")
    before, after = parts_of(plain), parts_of(out)
    assert after["guitars"]["loudness_lufs"] == pytest.approx(lufs, abs=0.0051)
    gain_db = manifest_of(out)["trim_db"] - manifest_of(plain)["trim_db"]
    assert (gain_db > 0.0) == up
    for part, entry in after.items():
        assert entry["rms_dbfs"] - before[part]["rms_dbfs"] == pytest.approx(gain_db, abs=1e-4)
        level = 20.0 * np.log10(np.max(np.abs(samples(out, part))))
        assert entry["sample_peak_dbfs"] == pytest.approx(level, abs=1e-4)
    assert manifest_of(out)["level"]["by"] == "loudness_lufs"


def test_a_loudness_is_met_where_the_guitar_bus_is_no_file(premix: Premix, balanced: Song, tmp_path: Path) -> None:
    """The same gain as with the file."""
    level = "deliver.level={loudness_lufs: -20}"
    render(premix, balanced, tmp_path / "with", level)
    render(premix, balanced, tmp_path / "without", level, "deliver.files=[stems, rooms]")
    assert manifest_of(tmp_path / "with")["trim_db"] == manifest_of(tmp_path / "without")["trim_db"]


@pytest.mark.parametrize("dbfs", [-6.0, -20.0, -0.5])
def test_a_peak_is_met_by_the_highest_sample(premix: Premix, balanced: Song, tmp_path: Path, dbfs: float) -> None:
    """Of all files together, never above it, and less than 0.02 dB below: gains are whole hundredths."""
    render(premix, balanced, tmp_path / "out", f"deliver.level={{peak_dbfs: {dbfs}}}", "deliver.ceiling_dbtp=0")
    peak = max(level_db(samples(tmp_path / "out", part)) for part in parts_of(tmp_path / "out"))
    assert dbfs - 0.02 < peak <= dbfs + 1e-6
    assert manifest_of(tmp_path / "out")["level"] == {
        "by": "peak_dbfs",
        "asked": dbfs,
        "found": pytest.approx(peak, abs=1e-5),
    }


def test_the_ceiling_holds_over_a_level_and_is_told(premix: Premix, balanced: Song, tmp_path: Path) -> None:
    """-3 LUFS cannot be had under -1 dBTP: as loud as it goes, a warning, and exit 1 where nothing may be trimmed."""
    level = "deliver.level={loudness_lufs: -3}"
    said = render(premix, balanced, tmp_path / "out", level)
    assert "level" in said.err or "more findings" in said.err
    (told,) = [f for f in manifest_of(tmp_path / "out")["findings"] if f["slug"] == "level-not-reached"]
    found = manifest_of(tmp_path / "out")["level"]["found"]
    assert told["message"] == f"-3 LUFS was asked for; the ceiling of -1 dBTP allows {found:.2f} LUFS"
    peaks = [entry["true_peak_dbtp"] for entry in parts_of(tmp_path / "out").values()]
    assert -1.02 < max(peaks) <= -1.0
    said = render(premix, balanced, tmp_path / "none", level, "deliver.trim=none", code=1)
    assert "[over-ceiling]" in said.err and not (tmp_path / "none").exists()


def test_silence_has_no_level(premix: Premix, tmp_path: Path) -> None:
    """Nothing to measure: no gain, and a word; a mic that is muted everywhere else."""
    recipe = "format: 1\nmics: {dynamic: {delay: none, polarity: normal}}\nperformances: {left: {bus: left}}\n"
    song = write_song(tmp_path, recipe, {"left_dynamic": 1e-6 * riff(1, FRAMES)})
    said = render(premix, song, song.out(), "deliver.level={loudness_lufs: -18}", "deliver.bits=32")
    assert any("[level-not-measured]" in line for line in said.lines)
    assert manifest_of(song.out())["trim_db"] == 0.0


def test_the_ceilings_two_names_are_one_setting(premix: Premix, balanced: Song, tmp_path: Path) -> None:
    """deliver.level.ceiling_dbtp is deliver.ceiling_dbtp: the one laid above holds; two in one file are a fault."""
    one, other = "deliver.ceiling_dbtp=-15", "deliver.level={ceiling_dbtp: -15}"
    trims = []
    for name, settings in {"one": (one,), "other": (other,), "over": ("deliver.level={ceiling_dbtp: -9}", one)}.items():
        render(premix, balanced, tmp_path / name, *settings)
        trims.append(manifest_of(tmp_path / name)["trim_db"])
    assert trims[0] == trims[1] == trims[2] < 0.0
    render(premix, balanced, tmp_path / "last", one, "deliver.level={ceiling_dbtp: -9}")
    assert manifest_of(tmp_path / "last")["trim_db"] == pytest.approx(trims[0] + 6.0, abs=1e-9)
    twice = balanced.recipe.with_name("twice.yaml")
    twice.write_text(RECIPE.replace("{bits: 32}", "{ceiling_dbtp: -2, level: {ceiling_dbtp: -3}}"))
    said = premix("render", twice, balanced.tracks, "--out", tmp_path / "twice")
    assert said.code == 1 and "[recipe-level]" in said.lines[0]


def test_the_house_recipe_leaves_6_db(premix: Premix, tmp_path: Path) -> None:
    """Common practice, no source: no file of the demo passes -6 dBTP, and the loudest comes near it."""
    said = premix("render", "recipes/house.yaml", "demo_stems", "--out", tmp_path / "out", "--no-report")
    assert said.code == 0
    peak = max(entry["true_peak_dbtp"] for entry in parts_of(tmp_path / "out").values())
    assert -6.02 < peak <= -6.0
