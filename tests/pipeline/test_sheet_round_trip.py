"""Alignment sheets: what was approved is repeated sample for sample, and a sheet that does not fit is refused."""

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml

from premix.errors import RecipeError
from premix.gate.rooms import decide_gates
from premix.pipeline import prepare, render, save_sheet
from tests.conftest import Demo, RenderedDemo
from tests.rigs.sessions import decided, hashes, manifest_of, riff, tree, write_song

TWO_MICS = "format: 1\nmics: {dynamic: {}, ribbon: {}}\nperformances: {left: {bus: left}}\n"


@pytest.fixture(scope="module")
def sheet(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's decisions as a sheet."""
    path = tmp_path_factory.mktemp("sheet") / "sheet.yaml"
    with prepare(demo.song.recipe, demo.song.tracks) as prepared:
        save_sheet(prepared.song, path)
    return path


def edited(sheet: Path, tmp_path: Path, change: Callable[[Any], object]) -> Path:
    """A copy of the sheet with its data changed in place by `change`."""
    data = yaml.safe_load(sheet.read_text("utf-8"))
    change(data)
    path = tmp_path / "edited.yaml"
    path.write_text(yaml.safe_dump(data, sort_keys=False), "utf-8")
    return path


def test_render_from_its_sheet_gives_the_same_samples(
    demo: Demo, rendered_demo: RenderedDemo, sheet: Path, tmp_path: Path
) -> None:
    """Every file's hash is that of the render that decided by itself; the origin says who decided."""
    render(demo.song.recipe, demo.song.tracks, tmp_path / "out", sheet=sheet)
    assert hashes(tmp_path / "out") == hashes(rendered_demo.out)
    assert {d["origin"] for d in decided(tmp_path / "out").values()} == {"sheet"}
    assert manifest_of(tmp_path / "out")["sum_efficiency_db"][0]["after"] == pytest.approx(
        manifest_of(rendered_demo.out)["sum_efficiency_db"][0]["after"], abs=1e-9
    )


def test_edited_entries_are_obeyed(demo: Demo, rendered_demo: RenderedDemo, sheet: Path, tmp_path: Path) -> None:
    """A polarity, a delay and a mic left out by hand: those and no other decisions differ."""

    def change(data: dict[str, Any]) -> None:
        left = data["performances"]["left_a"]
        left["condenser"].update(polarity="inverted", delay_samples=12.5)
        left["ribbon"]["sum"] = False

    render(demo.song.recipe, demo.song.tracks, tmp_path / "out", sheet=edited(sheet, tmp_path, change))
    before, after = decided(rendered_demo.out), decided(tmp_path / "out")
    assert (after["left_a", "condenser"]["polarity"], after["left_a", "condenser"]["delay_samples"]) == (-1, 12.5)
    assert not after["left_a", "ribbon"]["summed"]
    for key in set(before) - {("left_a", "condenser"), ("left_a", "ribbon")}:
        for field in ("polarity", "delay_samples", "summed"):
            assert after[key][field] == before[key][field]
    assert hashes(tmp_path / "out")["stem_left_a"] != hashes(rendered_demo.out)["stem_left_a"]


@pytest.mark.parametrize(
    ("name", "change", "says"),
    [
        ("rate", lambda data: data.update(rate=44100), "44100"),
        ("reference", lambda data: data.update(reference="ribbon"), "ribbon"),
        (
            "mic",
            lambda data: data["performances"]["left_a"].update(tube=data["performances"]["left_a"]["ribbon"]),
            "tube",
        ),
        ("performance", lambda data: data["performances"].update(left_c=data["performances"]["left_a"]), "left_c"),
        ("missing", lambda data: data["performances"]["right_a"].pop("sub"), "sub"),
        ("polarity", lambda data: data["performances"]["left_a"]["sub"].update(polarity="upside down"), "upside down"),
        ("delay", lambda data: data["performances"]["left_a"]["sub"].update(delay_samples="12 ms"), "delay_samples"),
        ("typo", lambda data: data["performances"]["left_a"]["sub"].update(polartiy="normal"), "polartiy"),
    ],
)
def test_sheet_that_does_not_fit_is_one_clear_line(
    demo: Demo, sheet: Path, tmp_path: Path, name: str, change: Callable[[Any], object], says: str
) -> None:
    """Wrong rate, reference, names or values: one problem that names the file and the place, OUT untouched."""
    path = edited(sheet, tmp_path, change)
    before = tree(tmp_path)
    with pytest.raises(RecipeError) as caught:
        render(demo.song.recipe, demo.song.tracks, tmp_path / "out", sheet=path)
    (problem,) = caught.value.problems
    assert "edited.yaml" in problem.where
    assert says in problem.line()
    assert tree(tmp_path) == before
    assert not (tmp_path / "out").exists()


def test_sheet_that_is_not_there_is_one_clear_line(demo: Demo, tmp_path: Path) -> None:
    """The path is told, and nothing is written."""
    with pytest.raises(RecipeError) as caught:
        render(demo.song.recipe, demo.song.tracks, tmp_path / "out", sheet=tmp_path / "no.yaml")
    (problem,) = caught.value.problems
    assert "no.yaml" in problem.line()
    assert tree(tmp_path) == {}


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("delay_samples", 400_000.0),
        ("delay_samples", -96_001.0),
        ("arrival_samples", 144_000.0),
        ("rotation", {"order": 2, "corner_hz": 9000.0, "q": 1e-300}),
    ],
)
def test_wild_entries_are_refused_by_name(demo: Demo, sheet: Path, tmp_path: Path, key: str, value: object) -> None:
    """A delay of over 2 s, and an all-pass that is none; one line, nothing written."""
    wild = edited(sheet, tmp_path, lambda data: data["performances"]["left_a"]["ribbon"].update({key: value}))
    with pytest.raises(RecipeError) as caught:
        render(demo.song.recipe, demo.song.tracks, tmp_path / "out", sheet=wild)
    (problem,) = caught.value.problems
    assert problem.slug == "sheet-does-not-fit"
    assert f"left_a.ribbon.{key}" in problem.line()
    assert not (tmp_path / "out").exists()


def test_an_all_pass_above_half_the_rate_is_refused(tmp_path: Path) -> None:
    """At 9 kHz in a song of 16 kHz its pole lies outside the unit circle: what it makes grows without end."""
    take = riff(1, 3 * 16000, 16000)
    song = write_song(tmp_path, TWO_MICS, {"left_dynamic": take, "left_ribbon": 0.7 * np.roll(take, 3)}, 16000)
    own = tmp_path / "own.yaml"
    with prepare(song.recipe, song.tracks) as prepared:
        save_sheet(prepared.song, own)
    all_pass = {"order": 1, "corner_hz": 9000.0}
    wild = edited(own, tmp_path, lambda data: data["performances"]["left"]["ribbon"].update(rotation=all_pass))
    with pytest.raises(RecipeError, match="unstable at 16000 Hz"):
        render(song.recipe, song.tracks, tmp_path / "out", sheet=wild)


def test_what_makes_the_sum_worse_than_as_recorded_is_told(tmp_path: Path) -> None:
    """Two mics at one place, and a sheet that turns one over; both figures stand in the message. The sheet as it was
    says nothing."""
    take = riff(1, 4 * 16000, 16000)
    song = write_song(tmp_path, TWO_MICS, {"left_dynamic": take, "left_ribbon": 0.7 * take}, 16000)
    own = tmp_path / "own.yaml"
    with prepare(song.recipe, song.tracks) as prepared:
        save_sheet(prepared.song, own)
    wild = edited(own, tmp_path, lambda data: data["performances"]["left"]["ribbon"].update(polarity="inverted"))
    for path, told in ((own, []), (wild, ["left"])):
        with prepare(song.recipe, song.tracks, sheet=path) as prepared:
            worse = [f for f in prepared.song.findings if f.slug == "alignment-worse"]
            efficiency = prepared.song.performance("left").efficiency
        assert [f.subject for f in worse] == told
    assert efficiency.after_db == pytest.approx(20.0 * np.log10(0.3 / 1.7), abs=0.05)
    assert f"{efficiency.after_db:.2f} dB" in worse[0].message and f"{efficiency.before_db:.2f} dB" in worse[0].message


def test_a_mic_that_the_sheet_puts_beside_the_others_is_told(demo: Demo, sheet: Path, tmp_path: Path) -> None:
    """Nearly two seconds late: no mic hears at once what the others heard then."""
    wild = edited(
        sheet, tmp_path, lambda data: data["performances"]["left_a"]["condenser"].update(delay_samples=90_000.0)
    )
    for path, told in ((sheet, []), (wild, ["left_a/condenser"])):
        with prepare(demo.song.recipe, demo.song.tracks, sheet=path) as prepared:
            assert [f.subject for f in prepared.song.findings if f.slug == "sheet-incoherent"] == told


def test_efficiency_of_a_sheet_with_long_delays_is_measured(tmp_path: Path) -> None:
    """A file that starts half a second late: the frames of 0.34 s that the efficiency is measured on are read in step,
    so that it is that of the sum that is rendered (two copies of one signal: 0 dB), not of unrelated stretches."""
    take = riff(1, 4 * 16000, 16000)
    late = np.concatenate([np.zeros(8000), take])
    song = write_song(tmp_path, TWO_MICS, {"left_dynamic": take, "left_ribbon": late}, 16000)
    sheet = tmp_path / "sheet.yaml"
    entries = "{dynamic: {polarity: normal, delay_samples: 0}, ribbon: {polarity: normal, delay_samples: 8000}}"
    sheet.write_text(f"sheet: 1\nrate: 16000\nreference: dynamic\nperformances:\n  left: {entries}\n")
    with prepare(song.recipe, song.tracks, sheet=sheet) as prepared:
        efficiency = prepared.song.performance("left").efficiency
    assert efficiency.after_db == pytest.approx(0.0, abs=0.01)
    assert efficiency.before_db < -1.0


def test_changed_audio_is_told_and_rendered(demo: Demo, sheet: Path, tmp_path: Path) -> None:
    """Another take under an approved sheet: a warning that names the track; the sheet is still obeyed."""
    tracks = tmp_path / "tracks"
    shutil.copytree(demo.song.tracks, tracks)
    shutil.copy(tracks / "right_a_ribbon.wav", tracks / "left_a_ribbon.wav")
    render(demo.song.recipe, tracks, tmp_path / "out", sheet=sheet)
    told = [f for f in manifest_of(tmp_path / "out")["findings"] if f["slug"] == "sheet-audio-changed"]
    assert [(f["severity"], f["subject"]) for f in told] == [("warning", "left_a/ribbon")]


def test_saving_never_replaces_something_else(demo: Demo, sheet: Path, tmp_path: Path) -> None:
    """An earlier sheet is replaced; any other file stays."""
    from premix.errors import DeliveryError

    other = tmp_path / "notes.txt"
    other.write_text("mine")
    with prepare(demo.song.recipe, demo.song.tracks, sheet=sheet) as prepared:
        with pytest.raises(DeliveryError):
            save_sheet(prepared.song, other)
        save_sheet(prepared.song, tmp_path / "new.yaml")
        save_sheet(prepared.song, tmp_path / "new.yaml")
    assert other.read_text() == "mine"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["new.yaml", "notes.txt"]


def test_a_sheets_gate_times_are_given_back(demo: Demo, sheet: Path, tmp_path: Path) -> None:
    """What was found stands in it; a passage taken out by hand is shut, and the others are as they were."""
    with prepare(demo.song.recipe, demo.song.tracks) as prepared:
        found = decide_gates(prepared.song).performance("left_a").riff.spans
    data = yaml.safe_load(sheet.read_text("utf-8"))
    assert [tuple(span) for span in data["gates"]["left_a"]] == list(found)
    changed = edited(sheet, tmp_path, lambda data: data["gates"]["left_a"].pop(1))
    with prepare(demo.song.recipe, demo.song.tracks, sheet=changed) as prepared:
        riff = decide_gates(prepared.song).performance("left_a").riff
    assert (riff.by_hand, riff.spans) == (True, (found[0], *found[2:]))


def test_gate_times_that_do_not_fit_are_refused(demo: Demo, sheet: Path, tmp_path: Path) -> None:
    """A performance that is not there, and spans the wrong way round: both at once."""

    def change(data: dict[str, Any]) -> None:
        data["gates"]["middle"] = [[0.0, 1.0]]
        data["gates"]["left_a"] = [[2.0, 3.0], [1.0, 2.5]]

    with (
        pytest.raises(RecipeError) as raised,
        prepare(demo.song.recipe, demo.song.tracks, sheet=edited(sheet, tmp_path, change)),
    ):
        pass
    assert [problem.where.split()[-1] for problem in raised.value.problems] == ["gates.left_a", "gates.middle"]
