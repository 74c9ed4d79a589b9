"""A mic that changes in the song, from its tracks to files and documents: followed, told, given back by a sheet."""

import csv
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml
from scipy.signal import firwin

from premix.demo.session import DemoTruth, write_demo
from premix.errors import Exit, RecipeError, RefusedError
from premix.model.song import Song as Tree
from premix.pipeline import prepare, render, save_sheet
from tests.rigs.sessions import Song, decided, hashes, manifest_of, read, rms_db, samples, write_recipe

RATE = 48000
SECONDS = 14.0
RECIPE = """\
format: 1
song: Tidewater
mics: {dynamic: {}, condenser: {gain_db: -3}, ribbon: {gain_db: -2}, sub: {role: sub, gain_db: -8}}
performances: {left_b: {bus: left}}
deliver: {files: [stems, aligned_mics], bits: 32}
"""


@dataclass(frozen=True)
class Changed:
    """The session with a jump of its condenser, the truth, its decisions, their sheet, and its render."""

    song: Song
    truth: DemoTruth
    tree: Tree
    sheet: Path
    out: Path


@pytest.fixture(scope="module")
def jumped(tmp_path_factory: pytest.TempPathFactory) -> Changed:
    top = tmp_path_factory.mktemp("jumped")
    truth = write_demo(top / "tracks", seconds=SECONDS, performances=("left_b",), fault="jump")
    song = Song(write_recipe(top, RECIPE), top / "tracks")
    with prepare(song.recipe, song.tracks) as prepared:
        save_sheet(prepared.song, top / "sheet.yaml")
        tree = prepared.song
    render(song.recipe, song.tracks, top / "out")
    return Changed(song, truth, tree, top / "sheet.yaml", top / "out")


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same session without the fault, rendered."""
    top = tmp_path_factory.mktemp("steady")
    write_demo(top / "tracks", seconds=SECONDS, performances=("left_b",))
    render(write_recipe(top, RECIPE), top / "tracks", top / "out")
    return top / "out"


def passages(out: Path, mic: str = "condenser") -> list[dict[str, Any]]:
    """The manifest's passages of a mic of left_b."""
    found: list[dict[str, Any]] = decided(out)["left_b", mic]["passages"]
    return found


def test_the_stem_is_that_of_the_session_without_the_fault(jumped: Changed, steady: Path) -> None:
    """The fault is undone: but for 60 ms around its place the stems are the same below -50 dB of their level.

    The place is found to 20 ms, and the delay to some thousandths of a sample.
    """
    ours, wanted = samples(jumped.out, "stem_left_b")[0], samples(steady, "stem_left_b")[0]
    assert jumped.truth.fault is not None
    at = round(jumped.truth.fault.from_s * RATE)
    error = ours - wanted
    error[at - 1440 : at + 1440] = 0.0
    assert rms_db(error) < rms_db(wanted) - 50.0
    held = read(jumped.song.tracks / "left_b_condenser.wav")[0]
    assert rms_db(samples(steady, "mic_left_b_condenser")[0] - held) > rms_db(wanted) - 30.0


def test_every_document_tells_the_passages(jumped: Changed) -> None:
    """Manifest, track sheet (CSV and page): two of the condenser, where it jumped by how much; one of a steady mic."""
    fault = jumped.truth.fault
    assert fault is not None
    before, after = passages(jumped.out)
    assert (before["from_s"], after["to_s"]) == (0.0, SECONDS)
    assert before["to_s"] == after["from_s"] == pytest.approx(fault.from_s, abs=0.5)
    assert after["delay_samples"] - before["delay_samples"] == pytest.approx(fault.delay_samples, abs=0.05)
    assert (before["polarity"], after["polarity"], before["ppm"], after["ppm"]) == (1, 1, 0.0, 0.0)
    ribbon = decided(jumped.out)["left_b", "ribbon"]
    (one,) = ribbon["passages"]
    assert one == {"from_s": 0.0, "to_s": SECONDS, "ppm": 0.0} | {k: ribbon[k] for k in ("delay_samples", "polarity")}
    with (jumped.out / "Tidewater_track_sheet.csv").open(encoding="utf-8", newline="") as file:
        rows = {row["mic"]: row for row in csv.DictReader(file)}
    assert rows["ribbon"]["passages"] == ""
    first, second = rows["condenser"]["passages"].split("; ")
    assert first.split(", ")[3:] == second.split(", ")[3:] == ["normal", "0"]
    assert [float(n) for n in second.split(", ")[:3]] == pytest.approx(
        [after[key] for key in ("from_s", "to_s", "delay_samples")], abs=1e-8
    )
    page = (jumped.out / "Tidewater_track_sheet.txt").read_text("utf-8")
    assert f"passage 2: {after['from_s']:.3f} to {SECONDS:.3f} s: " in page


def test_a_mic_made_by_hand_from_the_sheet_is_the_mic(jumped: Changed) -> None:
    """The raw file, advanced by its passages with numpy alone, below -120 dB away from where they meet."""
    with (jumped.out / "Tidewater_track_sheet.csv").open(encoding="utf-8", newline="") as file:
        (row,) = (row for row in csv.DictReader(file) if row["mic"] == "condenser")
    raw = read(jumped.song.tracks / row["file"])[0]
    line = np.zeros(1 << 20)
    line[: len(raw)] = raw
    spectrum, turn = np.fft.rfft(line), 2j * np.pi * np.fft.rfftfreq(len(line))
    made, clear = np.zeros(len(raw)), np.ones(len(raw), np.bool_)
    for text in row["passages"].split("; "):
        from_s, to_s, delay, turned, ppm = text.split(", ")
        assert (turned, ppm) == ("normal", "0")
        first, last = round(float(from_s) * RATE), round(float(to_s) * RATE)
        made[first:last] = np.fft.irfft(spectrum * np.exp(turn * float(delay)), len(line))[first:last]
        clear[max(0, first - 640) : first + 640] = clear[last - 640 : last + 640] = False
    made *= 10 ** (float(row["gain_db"]) / 20) * 10 ** (float(row["trim_db"]) / 20)
    written = samples(jumped.out, "mic_left_b_condenser")[0]
    # Up to 20 kHz: above, the mic's hiss meets the edge of a delay of 96 taps.
    error = np.convolve(written - made, firwin(801, 20_000, fs=RATE), "same")
    assert np.abs(error)[clear].max() < 1e-6
    assert np.abs(written).max() > 0.01


def test_its_own_sheet_gives_the_same_samples(jumped: Changed, tmp_path: Path) -> None:
    render(jumped.song.recipe, jumped.song.tracks, tmp_path / "out", sheet=jumped.sheet)
    assert hashes(tmp_path / "out") == hashes(jumped.out)
    assert passages(tmp_path / "out") == passages(jumped.out)


def edited(jumped: Changed, folder: Path, change: Callable[[Any], object]) -> Path:
    """The sheet with the condenser's entry changed in place."""
    data = yaml.safe_load(jumped.sheet.read_text("utf-8"))
    change(data["performances"]["left_b"]["condenser"])
    path = folder / "edited.yaml"
    path.write_text(yaml.safe_dump(data, sort_keys=False), "utf-8")
    return path


def test_edited_passages_are_obeyed(jumped: Changed, tmp_path: Path) -> None:
    """The second one turned over by hand: the mic's samples from there on, and no others, are upside down."""

    def turned(entry: dict[str, Any]) -> None:
        entry["passages"][1]["polarity"] = "inverted"

    render(jumped.song.recipe, jumped.song.tracks, tmp_path / "out", sheet=edited(jumped, tmp_path, turned))
    before, after = (samples(out, "mic_left_b_condenser")[0] for out in (jumped.out, tmp_path / "out"))
    at = round(passages(jumped.out)[1]["from_s"] * RATE)
    # A common trim, if any, stays out of the comparison; the transform's rounding does not.
    scale = np.abs(after[: at - 240]).max() / np.abs(before[: at - 240]).max()
    np.testing.assert_allclose(after[: at - 240], scale * before[: at - 240], atol=1e-7)
    np.testing.assert_allclose(after[at + 240 :], -scale * before[at + 240 :], atol=1e-7)


@pytest.mark.parametrize(
    ("name", "change", "says"),
    [
        ("gap", lambda e: e["passages"][1].update(from_s=e["passages"][1]["from_s"] + 0.1), "a gap between"),
        ("overlap", lambda e: e["passages"][0].update(to_s=e["passages"][0]["to_s"] + 0.1), "an overlap between"),
        ("late", lambda e: e["passages"][0].update(from_s=1.0), "from 0 s on"),
        ("short", lambda e: e["passages"][1].update(to_s=SECONDS - 1.0), f"the song at {SECONDS:g} s"),
        ("long", lambda e: e["passages"][1].update(to_s=SECONDS + 1.0), f"the song at {SECONDS:g} s"),
        ("order", lambda e: e["passages"].reverse(), "from 0 s on"),
        ("main", lambda e: e.update(delay_samples=e["delay_samples"] + 3.0), "not those of the longest passage"),
        ("turned", lambda e: e.update(polarity="inverted"), "not those of the longest passage"),
        ("ppm", lambda e: e["passages"][0].update(ppm=5000.0), "ppm"),
        ("word", lambda e: e["passages"][0].update(polarity="over"), "polarity"),
        ("typo", lambda e: e["passages"][0].update(form_s=0.0), "form_s"),
    ],
)
def test_passages_that_do_not_fit_are_refused(
    jumped: Changed, tmp_path: Path, name: str, change: Callable[[Any], object], says: str
) -> None:
    """Each line names the file, the mic, what is wrong and what is allowed; nothing is written."""
    with pytest.raises(RecipeError) as caught:
        render(jumped.song.recipe, jumped.song.tracks, tmp_path / "out", sheet=edited(jumped, tmp_path, change))
    lines = [problem.line() for problem in caught.value.problems]
    assert any(says in line and "edited.yaml" in line and "condenser" in line for line in lines), lines
    assert not (tmp_path / "out").exists()


def test_without_its_passages_a_sheet_holds_one_delay(jumped: Changed, tmp_path: Path) -> None:
    render(
        jumped.song.recipe,
        jumped.song.tracks,
        tmp_path / "out",
        sheet=edited(jumped, tmp_path, lambda entry: entry.pop("passages")),
    )
    (one,) = passages(tmp_path / "out")
    assert one["delay_samples"] == decided(jumped.out)["left_b", "condenser"]["delay_samples"]
    assert hashes(tmp_path / "out") != hashes(jumped.out)


def test_told_but_not_followed(jumped: Changed, tmp_path: Path) -> None:
    """changes: tell: the finding stands, and the mic keeps the delay of its longest passage throughout."""
    render(jumped.song.recipe, jumped.song.tracks, tmp_path / "out", settings=["alignment.changes=tell"])
    told = [f for f in manifest_of(tmp_path / "out")["findings"] if f["slug"] == "alignment-jump"]
    assert [f["subject"] for f in told] == ["left_b/condenser"]
    (one,) = passages(tmp_path / "out")
    assert one["delay_samples"] == pytest.approx(passages(jumped.out)[0]["delay_samples"], abs=0.05)


def test_a_change_can_stop_the_song(jumped: Changed, tmp_path: Path) -> None:
    """changes: stop: exit 1, the mic and the place are told, nothing is written."""
    with pytest.raises(RefusedError) as caught:
        render(jumped.song.recipe, jumped.song.tracks, tmp_path / "out", settings=["alignment.changes=stop"])
    (problem,) = caught.value.problems
    assert problem.where == "left_b/condenser"
    assert problem.slug == "alignment-jump"
    assert not (tmp_path / "out").exists()


def test_align_tells_them_in_a_line_each(jumped: Changed, capsys: pytest.CaptureFixture[str]) -> None:
    from premix.cli.main import run

    assert run(["align", str(jumped.song.recipe), str(jumped.song.tracks)]) == Exit.DONE
    told = capsys.readouterr().err
    for mic in jumped.tree.mics:
        assert told.count(f"  {mic.name} 0.000 to ") == (mic.name == "condenser")
    assert f" to {SECONDS:.3f} s: +2.7" in told
