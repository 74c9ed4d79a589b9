"""`premix setups` over an album that the demo writes, and the same album as a batch, with limits, and as approved."""

import json
from pathlib import Path

import pytest
import soundfile

from premix.cli.main import run
from premix.delivery.documents import read_manifest
from tests.bench.many_songs import RECIPE as HOUSE
from tests.rigs.sessions import write_recipe, write_track

SECONDS = "8"
RECIPE = HOUSE + "limits: {setup_moved_mm: 2, setup_level_db: 1}\n"


@pytest.fixture(scope="module")
def album(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three songs, the ribbon 5 mm further away from the third on, rendered as a batch; two performances of each."""
    top = tmp_path_factory.mktemp("album")
    nudge = ["--nudge", "ribbon:5mm@3"]
    assert run(["demo", str(top / "songs"), "--songs", "3", *nudge, "--seconds", SECONDS]) == 0
    for path in (top / "songs").glob("*/*.wav"):
        if not path.name.startswith(("left_a", "right_a")):
            path.unlink()
    recipe = write_recipe(top, RECIPE, "house.yaml")
    code = run(["batch", str(recipe), str(top / "songs"), "--out", str(top / "out"), "--jobs", "1"])
    assert code == 4, "the third song breaks the limit"
    return top


def test_the_batch_names_the_move_and_the_limit(album: Path) -> None:
    """In the song in which it happened, with its error; the song's verdict is that of its limit."""
    summary = json.loads((album / "out" / "summary.json").read_text("utf-8"))
    assert [song["verdict"] for song in summary["songs"]] == ["done", "done", "limits broken"]
    assert any("ribbon: moved by +5.0 mm" in line for line in summary["songs"][2]["told"])
    (drift,) = summary["setups"]
    moved = [c for c in drift["changes"] if c["kind"] == "moved"]
    assert [(c["song"], c["mics"]) for c in moved] == [("03 Breakwater", ["ribbon"])]
    assert abs(moved[0]["size"] - 5.0) < moved[0]["within"] < 1.0


def test_the_album_s_page_shows_it(album: Path) -> None:
    page = (album / "out" / "index.html").read_text("utf-8")
    assert "The set-up, song by song" in page
    assert "ribbon moved 5.0 ± " in page
    assert page.count("<svg") == 2


def test_setups_tells_who_moved_and_when(album: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = album / "page.html"
    page.unlink(missing_ok=True)
    assert run(["setups", str(album / "out"), "--json", "--page", str(page)]) == 0
    told = capsys.readouterr()
    drift = json.loads(told.out)
    assert drift["songs"] == ["Tidewater", "Undertow", "Breakwater"]
    assert [(c["song"], c["mics"], c["kind"]) for c in drift["changes"]] == [("Breakwater", ["ribbon"], "moved")]
    assert "Undertow: as before" in told.err
    assert "Breakwater: ribbon moved 5.0 ± " in told.err
    assert "<svg" in page.read_text("utf-8")


def test_two_manifests_in_another_order(album: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """From the third song to the first it went back."""
    out = album / "out"
    manifests = [str(out / name / "manifest.json") for name in ("03 Breakwater", "01 Tidewater")]
    assert run(["setups", *manifests]) == 0
    assert "Tidewater: ribbon moved 5.0 ± 0.6 mm towards the speaker" in capsys.readouterr().err


def test_what_cannot_be_compared_is_refused(album: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one = str(album / "out" / "01 Tidewater")
    assert run(["setups", one]) == 1
    assert "[setups-nothing-to-compare]" in capsys.readouterr().err
    assert run(["setups", one, str(album / "house.yaml")]) == 1
    assert "[not-a-manifest]" in capsys.readouterr().err
    assert run(["setups", one, one, "--temperature", "20"]) == 2
    assert "1 temperatures for 2 songs" in capsys.readouterr().err


def test_a_song_aligned_as_approved_says_who_agrees(album: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same set-up lends its delays, a mic that moved keeps its own; both are told."""
    approved = album / "out" / "01 Tidewater" / "manifest.json"
    lent = {d.mic: d.delay_samples for d in read_manifest(approved).alignment if d.performance == "left_a"}
    for song, moved in (("02 Undertow", set()), ("03 Breakwater", {"ribbon"})):
        target = album / f"approved {song}"
        command = ["render", str(album / "house.yaml"), str(album / "songs" / song), "--out", str(target)]
        code = run([*command, "--alignment", str(approved), "--no-report", "--force"])
        err = capsys.readouterr().err
        assert code == (4 if moved else 0), err
        manifest = read_manifest(target)
        agree = next(f for f in manifest.findings if f.slug == "setup-agrees")
        assert {"condenser", "ribbon", "sub", "room"} - moved == set(agree.subjects)
        assert {s for f in manifest.findings if f.slug == "setup-moved" for s in f.subjects} == moved
        for decision in manifest.alignment:
            if decision.mic in agree.subjects and decision.mic != "room":
                assert decision.delay_samples == pytest.approx(lent[decision.mic], abs=0.2)
        own = next(d for d in manifest.alignment if d.mic == "ribbon")
        further = own.delay_samples - lent["ribbon"]
        assert further == pytest.approx(5.0 / 343.2 * 48 if moved else 0.0, abs=0.1)


def test_a_song_too_short_to_tell_borrows_and_says_so(album: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """1.3 s, of which one is riff: no print, and the approved delays."""
    short, approved = album / "short", album / "out" / "01 Tidewater" / "manifest.json"
    for path in (album / "songs" / "02 Undertow").glob("*.wav"):
        samples, rate = soundfile.read(path)
        write_track(short / path.name, samples[: int(1.3 * rate)], rate)
    command = ["align", str(album / "house.yaml"), str(short), "--alignment", str(approved), "--json"]
    assert run(command) == 0
    told = json.loads(capsys.readouterr().out)
    borrowed = [f for f in told["findings"] if f["slug"] == "setup-borrowed"]
    assert {"condenser", "ribbon"} <= {subject for f in borrowed for subject in f["subjects"]}
    lent = {d.mic: d.delay_samples for d in read_manifest(approved).alignment if d.performance == "left_a"}
    for decision in told["alignment"]:
        if decision["mic"] in ("condenser", "ribbon"):
            assert decision["delay_samples"] == pytest.approx(lent[decision["mic"]], abs=0.2)


def test_a_mic_that_the_approved_set_up_does_not_know(album: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It keeps its own delay, and is told."""
    known = json.loads((album / "out" / "01 Tidewater" / "manifest.json").read_text("utf-8"))
    for one in (known["setup"]["pooled"], *known["setup"]["performances"]):
        one["mics"] = [mic for mic in one["mics"] if mic["mic"] != "ribbon"]
    approved = album / "without.json"
    approved.write_text(json.dumps(known), "utf-8")
    song = str(album / "songs" / "02 Undertow")
    assert run(["align", str(album / "house.yaml"), song, "--alignment", str(approved), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [f["subject"] for f in told["findings"] if f["slug"] == "setup-new"] == ["ribbon"]


def test_an_approved_render_of_another_reference_is_refused(album: Path, capsys: pytest.CaptureFixture[str]) -> None:
    approved = album / "out" / "01 Tidewater"
    command = ["align", str(album / "house.yaml"), str(album / "songs" / "02 Undertow"), "--alignment", str(approved)]
    assert run([*command, "--set", "alignment.reference=ribbon"]) == 1
    assert "[setup-does-not-fit]" in capsys.readouterr().err


@pytest.mark.parametrize(
    "nudge", ["ribbon", "ribbon:5@3", "ribbon:5mm", "nobody:5mm@2", "dynamic:-20mm@2", "ribbon:5mm@0"]
)
def test_nudges_that_cannot_be(nudge: str, tmp_path: Path) -> None:
    """A usage error where it cannot be read, a refusal where no mic can do it; nothing is written."""
    code = run(["demo", str(tmp_path / "album"), "--songs", "2", "--seconds", "4", "--nudge", nudge])
    assert code in (1, 2)
    assert not list(tmp_path.rglob("*.wav"))
