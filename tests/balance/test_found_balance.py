"""The balance of a rough mix is found again: mixes by ffmpeg with known gains and pans; what is no mix is refused."""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.audio.gains import pan_gains
from premix.balance.found import pan_of
from premix.balancing import balance_like
from premix.cli.main import run
from premix.demo.session import write_demo
from premix.errors import Exit, Finding, TracksError
from premix.model.balance import FoundBalance
from premix.pipeline import render
from tests.rigs.rough_mixes import Desk, drums_and_bass, make_mix
from tests.rigs.sessions import DEMO_MICS, Song, manifest_of, write_recipe

PERFORMANCES = ("left_a", "right_a", "centre")
MICS = ("dynamic", "condenser", "ribbon", "sub", "room")
RECIPE = f"""\
format: 1
song: Tidewater
{DEMO_MICS}\
performances:
  left_a: {{bus: left}}
  right_a: {{bus: right}}
  centre: {{bus: centre}}
"""
DESK = Desk(
    gains_db={"dynamic": 0.0, "condenser": -6.0, "ribbon": 2.0, "sub": -4.0, "room": -9.0},
    levels_db={"left_a": 0.0, "right_a": -2.5, "centre": -8.0},
    pans={"left_a": -0.8, "right_a": 0.95, "centre": 0.1},
)
HARD = replace(
    DESK,
    band_db=4.0,
    equaliser=((110.0, 1.2, 4.0), (700.0, 1.5, -5.0), (3500.0, 1.5, 3.0)),
    limit=0.3,
    offset_s=2.25,
    suffix="mp3",
)


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Three performances of the demo session, 20 s."""
    top = tmp_path_factory.mktemp("rough")
    write_demo(top / "tracks", seconds=20.0, performances=PERFORMANCES)
    return Song(write_recipe(top, RECIPE), top / "tracks")


def tracks_of(song: Song, performances: tuple[str, ...] = PERFORMANCES) -> dict[tuple[str, str], Path]:
    return {(p, m): song.tracks / f"{p}_{m}.wav" for p in performances for m in MICS}


def mixed(song: Song, desk: Desk, name: str, performances: tuple[str, ...] = PERFORMANCES) -> Path:
    folder = song.recipe.parent / name
    folder.mkdir()
    return make_mix(folder, tracks_of(song, performances), desk, folder / "mix", seed=3)


def holds(found: FoundBalance, desk: Desk, close_db: float, other_db: float, pan: float) -> None:
    """Gains against the reference, levels against the first performance, pans."""
    for mic in found.mics:
        assert mic.found_db is not None
        wanted = desk.gains_db[mic.mic] - desk.gains_db["dynamic"]
        assert mic.found_db == pytest.approx(wanted, abs=other_db if mic.mic in ("sub", "room") else close_db)
    level = {p.performance: (p.found_db or 0.0) + (-12.0 if p.bus == "centre" else 0.0) for p in found.performances}
    for place in found.performances:
        wanted = desk.levels_db[place.performance] - desk.levels_db["left_a"]
        assert level[place.performance] - level["left_a"] == pytest.approx(wanted, abs=close_db)
        assert place.found_pan == pytest.approx(desk.pans[place.performance], abs=pan)


@pytest.mark.tools("ffmpeg")
def test_a_plain_mix_is_found_to_the_hundredth(song: Song) -> None:
    """Nothing but gains and pans: the model holds exactly; 0.03 dB and 0.005 are for windows and 24 bits."""
    _, found, _ = balance_like(song.recipe, song.tracks, mixed(song, DESK, "plain"))
    assert found.explained > 0.999
    assert found.tracks == "recorded"
    assert found.offset_s == pytest.approx(0.0, abs=1e-4)
    holds(found, DESK, 0.03, 0.1, 0.005)
    assert max(abs(db - found.equaliser_db[0][1]) for _, db in found.equaliser_db) < 0.1


@pytest.mark.tools("ffmpeg")
def test_a_mix_with_all_that_a_mix_has_is_found(song: Song) -> None:
    """Equalised, limited, drums and bass on top, MP3, late. The bench's mixes of a minute are found within 0.2 dB rms;
    0.8 dB for single mics in 20 s, and 0.05 for pans."""
    _, found, _ = balance_like(song.recipe, song.tracks, mixed(song, HARD, "hard"))
    assert 0.1 < found.explained < 0.9
    assert found.offset_s == pytest.approx(2.25, abs=0.005)  # what limiter and codec delay comes on top
    holds(found, HARD, 0.8, 3.0, 0.05)
    assert {f.subject for f in found.findings if f.slug == "like-sub-or-equaliser"} == {"sub"}


@pytest.mark.tools("ffmpeg")
def test_a_mix_that_begins_before_the_tracks_and_turned_over_is_found(song: Song) -> None:
    """The first 1.5 s are cut off, and the whole is inverted, by soundfile alone."""
    path = mixed(song, replace(DESK, offset_s=-1.5), "early")
    samples, rate = soundfile.read(path)
    soundfile.write(path.with_name("turned.wav"), -samples, rate)
    _, found, _ = balance_like(song.recipe, song.tracks, path.with_name("turned.wav"))
    assert found.offset_s == pytest.approx(-1.5, abs=1e-3)
    holds(found, DESK, 0.1, 0.3, 0.01)


@pytest.mark.tools("ffmpeg")
def test_a_mic_and_a_performance_that_are_not_in_the_mix_are_muted(song: Song) -> None:
    gains = {**DESK.gains_db, "ribbon": -90.0}
    layer = song.recipe.parent / "without.yaml"
    path = mixed(song, replace(DESK, gains_db=gains), "without", ("left_a", "right_a"))
    told, found, _ = balance_like(song.recipe, song.tracks, path, save=layer)
    assert {m.mic for m in found.mics if m.found_db is None} == {"ribbon"}
    assert {p.performance for p in found.performances if p.found_db is None} == {"centre"}
    text = layer.read_text("utf-8")
    assert "  ribbon: {mute: true}" in text
    assert "  centre: {mute: true}" in text
    assert {f.subject for f in told.findings if f.slug == "like-not-heard"} == {"ribbon", "centre on centre"}


@pytest.mark.tools("ffmpeg")
def test_a_mix_that_premix_rendered_is_found_as_aligned(song: Song) -> None:
    """The guitar bus of another balance of the same recipe: what the saved layer renders has that balance again.

    1 dB: mics in phase differ by their colour alone, and an equaliser that follows it costs the fit nothing.
    """
    settings = (
        "mics.condenser.gain_db=-7",
        "mics.room.gain_db=-16",
        "performances.right_a.gain_db=-3",
        "gate.mode=off",
    )
    render(song.recipe, song.tracks, song.out("other"), settings=settings)
    (mix,) = song.out("other").glob("*_guitars.wav")
    layer = song.recipe.parent / "aligned.yaml"
    _, found, _ = balance_like(song.recipe, song.tracks, mix, save=layer)
    assert found.tracks == "aligned"
    gains = {m.mic: m.found_db for m in found.mics}
    assert gains["condenser"] == pytest.approx(-7.0, abs=1.0)
    assert gains["room"] == pytest.approx(-16.0, abs=1.0)
    render(layer, song.tracks, song.out("again"), settings=["gate.mode=off"])
    merged = manifest_of(song.out("again"))["recipe"]["merged"]
    assert merged["mics"]["condenser"]["gain_db"] == pytest.approx(gains["condenser"], abs=0.051)
    assert merged["performances"]["right_a"]["gain_db"] == pytest.approx(-3.0, abs=0.3)


@pytest.mark.tools("ffmpeg")
def test_the_saved_layer_is_what_is_printed_and_renders(song: Song, capsys: pytest.CaptureFixture[str]) -> None:
    layer = song.recipe.parent / "saved" / "rough.yaml"
    layer.parent.mkdir()
    mix = mixed(song, DESK, "saved_mix")
    assert run(["balance", str(song.recipe), str(song.tracks), "--like", str(mix), "--save", str(layer)]) == Exit.DONE
    said = capsys.readouterr().err
    assert "is explained by the tracks as recorded" in said
    assert re.search(r"condenser +-3\.0 +-6\.0 +0\.2", said)
    text = layer.read_text("utf-8")
    assert text.splitlines()[1:3] == ["format: 1", 'extends: "../recipe.yaml"']
    assert run(["balance", str(song.recipe), str(song.tracks), "--like", str(mix), "--json"]) == Exit.DONE
    document = json.loads(capsys.readouterr().out)
    assert {m["mic"] for m in document["mics"]} == set(MICS)
    assert run(["render", str(layer), str(song.tracks), "--out", str(song.out("rough")), "--no-report"]) == Exit.DONE
    buses = {bus["bus"]: bus for bus in manifest_of(song.out("rough"))["buses"]}
    assert buses["left"]["pan"] == pytest.approx(-0.8, abs=0.011)


@pytest.mark.tools("ffmpeg")
def test_what_is_no_mix_of_these_tracks_is_refused(song: Song, tmp_path: Path) -> None:
    """Other takes of the same riff, the band alone, noise: exit 1, and no layer."""
    other = tmp_path / "other"
    write_demo(other, seconds=20.0, performances=("left_b", "right_b"))
    takes = {(p, m): other / f"{p}_{m}.wav" for p in ("left_b", "right_b") for m in MICS}
    levels = {"left_b": 0.0, "right_b": 0.0}
    desk = replace(DESK, levels_db=levels, pans={"left_b": -1.0, "right_b": 1.0})
    wrong = [make_mix(tmp_path, takes, desk, tmp_path / "takes")]
    for name, samples in (
        ("band", 0.3 * drums_and_bass(1, 20.0, 48_000)),
        ("noise", 0.1 * np.random.default_rng(2).standard_normal((2, 48_000 * 20))),
    ):
        wrong.append(tmp_path / f"{name}.flac")
        soundfile.write(wrong[-1], samples.T, 48_000)
    for path in wrong:
        layer = tmp_path / f"{path.stem}.yaml"
        with pytest.raises(TracksError) as refused:
            balance_like(song.recipe, song.tracks, path, save=layer)
        (problem,) = refused.value.problems
        assert (problem.slug, problem.where) == ("like-not-these", str(path))
        assert "not a mix of these tracks" in problem.what
        assert not layer.exists()


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["--out", "p.html", "--like", "m.mp3"],
        ["--out", "p.html", "--save", "l.yaml"],
        ["--out", "p.html", "--json"],
        ["--out", "p.html", "--from", "3"],
        ["--like", "m.mp3", "--from", "3", "--to", "4"],
    ],
)
def test_options_that_do_not_go_together_are_a_wrong_usage(song: Song, words: list[str]) -> None:
    assert run(["balance", str(song.recipe), str(song.tracks), *words]) == Exit.USAGE


def test_without_its_extra_there_is_no_page(song: Song, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    missing = Finding("report-extra-missing", "info", "report", "no page was made: jinja2 not installed")
    monkeypatch.setattr("premix.cli.balance.missing_extra", lambda: missing)
    page = tmp_path / "page.html"
    assert run(["balance", str(song.recipe), str(song.tracks), "--out", str(page)]) == Exit.USER
    assert not page.exists()


def test_what_cannot_be_read_is_refused_before_the_tracks_are(song: Song, tmp_path: Path) -> None:
    (tmp_path / "text.mp3").write_text("no sound")
    soundfile.write(tmp_path / "five.wav", np.zeros((4800, 5)), 48_000)
    soundfile.write(tmp_path / "empty.wav", np.zeros((0, 2)), 48_000)
    soundfile.write(tmp_path / "silent.wav", np.zeros((48_000, 2)), 48_000)
    slugs = {"text.mp3": "like-unreadable", "five.wav": "like-unreadable", "empty.wav": "like-unreadable"}
    for name, slug in {**slugs, "none.wav": "like-unreadable", "silent.wav": "like-not-these"}.items():
        with pytest.raises(TracksError) as refused:
            balance_like(song.recipe, song.tracks, tmp_path / name)
        assert [problem.slug for problem in refused.value.problems] == [slug], name


@pytest.mark.parametrize("law_db", [0.0, -3.0, -4.5, -6.0])
def test_a_pan_is_read_back_from_its_gains(law_db: float) -> None:
    for pan in np.linspace(-1.0, 1.0, 41):
        assert pan_of(*pan_gains(float(pan), law_db), law_db) == pytest.approx(float(pan), abs=1e-6)
