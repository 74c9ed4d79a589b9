"""Alignment sheets: what was approved is repeated sample for sample, and a sheet that does not fit is refused."""

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

from premix.errors import RecipeError
from premix.pipeline import prepare, render, save_sheet
from tests.conftest import Demo, RenderedDemo
from tests.rigs.sessions import decided, hashes, manifest_of, tree


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
