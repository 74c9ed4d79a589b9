"""`premix batch --alignment`: sheets and approved renders as `premix render` takes them, a song's own or for all."""

import json
import shutil
from pathlib import Path

import pytest

from premix.cli.main import run
from premix.delivery.documents import read_manifest
from premix.demo.nudged import Nudge
from premix.demo.session import write_demo
from premix.model.manifest import Manifest
from tests.batch.sessions import house_recipe

SONGS = ("Ebb", "Flow", "Calm")
NUDGED_MM = 5.0
MM_A_SAMPLE = 343.2 / 48.0
"""In air of 20 degrees, at 48 kHz."""


@pytest.fixture(scope="module")
def album(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three songs of one performance in `songs`, the ribbon 5 mm further away in the last; `approved`: a batch."""
    top = tmp_path_factory.mktemp("album")
    nudges = [Nudge("ribbon", NUDGED_MM, 3)]
    for number, name in enumerate(SONGS, 1):
        write_demo(top / "songs" / name, seconds=6.0, performances=("left_a",), song=number, nudges=nudges)
        (top / "songs" / name / "song.yaml").write_text("performances: {right_a: null}\n")
    house_recipe(top)
    assert batch(top, top / "approved") == 0
    return top


def batch(top: Path, out: Path, *more: str | Path) -> int:
    """The command over all songs."""
    command = ["batch", top / "house.yaml", top / "songs", "--out", out, "--jobs", "1", "--no-report", *more]
    return run([str(word) for word in command])


def verdicts(out: Path) -> dict[str, str]:
    summary = json.loads((out / "summary.json").read_text("utf-8"))
    return {song["song"]: song["verdict"] for song in summary["songs"]}


def told(out: Path, song: str, slug: str) -> set[str]:
    """The mics of a song of which this was said."""
    return {one for f in read_manifest(out / song).findings if f.slug == slug for one in f.subjects}


def delay(manifest: Manifest, mic: str) -> float:
    return next(decision.delay_samples for decision in manifest.alignment if decision.mic == mic)


@pytest.mark.parametrize("form", ["manifest", "folder"])
def test_one_approved_render_is_for_all_songs(album: Path, tmp_path: Path, form: str) -> None:
    """Mics that agree take its delays, the ribbon of the last song keeps its own; each is told, song by song."""
    render = album / "approved" / "Ebb"
    approved = render if form == "folder" else shutil.copy(render / "manifest.json", tmp_path / "house_setup.json")
    out = tmp_path / "out"
    assert batch(album, out, "--alignment", approved) == 0
    lent = read_manifest(render)
    for song in SONGS:
        moved = {"ribbon"} if song == "Calm" else set()
        assert told(out, song, "setup-moved") == moved
        assert told(out, song, "setup-agrees") == {"condenser", "ribbon", "sub", "room"} - moved
        own = read_manifest(out / song)
        assert delay(own, "condenser") == pytest.approx(delay(lent, "condenser"), abs=0.02)
        further = (delay(own, "ribbon") - delay(lent, "ribbon")) * MM_A_SAMPLE
        assert further == pytest.approx(NUDGED_MM if moved else 0.0, abs=0.7 if moved else 0.2)


def test_another_approved_render_renders_again_and_the_same_one_does_not(album: Path, tmp_path: Path) -> None:
    out, approved = tmp_path / "out", shutil.copytree(album / "approved" / "Ebb", tmp_path / "approved")
    for wanted in ("done", "unchanged"):
        assert batch(album, out, "--alignment", approved) == 0
        assert set(verdicts(out).values()) == {wanted}
    shutil.copy(album / "approved" / "Flow" / "manifest.json", approved / "manifest.json")
    assert batch(album, out, "--alignment", approved) == 0
    assert set(verdicts(out).values()) == {"done"}


def test_an_earlier_batch_has_an_approved_render_of_each_song(album: Path, tmp_path: Path) -> None:
    """Each is held against its own: the song whose ribbon was moved agrees with itself."""
    out = tmp_path / "out"
    assert batch(album, out, "--alignment", album / "approved") == 0
    for song in SONGS:
        assert told(out, song, "setup-moved") == set()
        assert "ribbon" in told(out, song, "setup-agrees")
        for mic in ("condenser", "ribbon"):
            earlier = delay(read_manifest(album / "approved" / song), mic)
            assert delay(read_manifest(out / song), mic) == pytest.approx(earlier, abs=0.02)


def test_what_is_a_songs_own_comes_before_what_is_for_all(album: Path, tmp_path: Path) -> None:
    """A sheet, a manifest by the song's name, and the folder's own manifest for the song that has neither."""
    place, out = tmp_path / "given", tmp_path / "out"
    place.mkdir()
    shutil.copy(album / "approved" / "Ebb" / "manifest.json", place / "manifest.json")
    shutil.copy(album / "approved" / "Calm" / "manifest.json", place / "Calm.json")
    align = ["align", str(album / "house.yaml"), str(album / "songs" / "Ebb"), "--save", str(place / "Ebb.yaml")]
    assert run(align) == 0
    assert batch(album, out, "--alignment", place) == 0
    assert {decision.origin for decision in read_manifest(out / "Ebb").alignment} == {"sheet"}
    assert told(out, "Ebb", "setup-agrees") == set()
    assert "ribbon" in told(out, "Flow", "setup-agrees")
    assert "ribbon" in told(out, "Calm", "setup-agrees")


def test_what_does_not_tell_what_to_align_with_is_refused_before_the_work(
    album: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Songs with nothing, or with two things, by name; one for all that is no manifest, or holds no set-up, once."""
    place, out = tmp_path / "given", tmp_path / "out"
    place.mkdir()
    (place / "Ebb.yaml").touch()
    shutil.copy(album / "approved" / "Ebb" / "manifest.json", place / "Ebb.json")
    document = json.loads((album / "approved" / "Ebb" / "manifest.json").read_text("utf-8"))
    (tmp_path / "bare.json").write_text(json.dumps(document | {"setup": None}), "utf-8")
    (tmp_path / "other.json").write_text("{}", "utf-8")
    for given, slugs in (
        (place, {"batch-two-sheets": 1, "batch-no-sheet": 2}),
        (tmp_path / "nowhere", {"batch-no-sheet": 3}),
        (tmp_path / "bare.json", {"setup-does-not-fit": 1}),
        (tmp_path / "other.json", {"not-a-manifest": 1}),
        (tmp_path / "nowhere.json", {"not-a-manifest": 1}),
    ):
        assert batch(album, out, "--alignment", given) == 1
        err = capsys.readouterr().err
        assert {slug: err.count(f"[{slug}]") for slug in slugs} == slugs, err
        assert not out.exists()
