"""Plug-ins are native code: they come from the recipe that was named, never with a folder of tracks by themselves."""

import hashlib
import shutil
from pathlib import Path

import pytest

from premix.messages import REMEDIES
from premix.processors import plug_in_process
from tests.cli.conftest import Premix
from tests.processors.conftest import STAND_IN
from tests.rigs.sessions import Song

CHAIN = "mics: {ribbon: {chain: [{plug_in: {file: PLACE/plain.vst3}}]}}\n"


@pytest.fixture(autouse=True)
def started(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every start of a plug-in's process, which the stand-in plays."""
    starts: list[str] = []

    def module() -> str:
        starts.append("start")
        return STAND_IN

    monkeypatch.setattr(plug_in_process, "worker_module", module)
    return starts


def commands(song: Song, *more: object) -> dict[str, tuple[object, ...]]:
    """Every command that reads a song."""
    out = ("--out", song.out("new"), "--no-report")
    return {
        "render": ("render", song.recipe, song.tracks, *out, *more),
        "compare": ("compare", song.recipe, song.tracks, "--vary", "mics", *out, *more),
        "align": ("align", song.recipe, song.tracks, *more),
        "inspect": ("inspect", song.recipe, song.tracks, *more),
        "batch": ("batch", song.recipe, song.tracks, "--jobs", "1", *out, *more),
    }


def by_song_file(song: Song) -> Path:
    """The song's own file names one that lies elsewhere."""
    place = song.recipe.parent
    (song.tracks / "song.yaml").write_text(CHAIN.replace("PLACE", str(place)), "utf-8")
    return place / "plain.vst3"


def among_tracks(song: Song) -> Path:
    """The recipe names one that lies among the tracks."""
    text = song.recipe.read_text("utf-8")
    step = f"ribbon: {{gain_db: -3, chain: [{{plug_in: {{file: {song.tracks}/plain.vst3}}}}]}}"
    song.recipe.write_text(text.replace("ribbon: {gain_db: -3}", step), "utf-8")
    return song.tracks / "plain.vst3"


@pytest.mark.parametrize("bring", [by_song_file, among_tracks])
@pytest.mark.parametrize("command", ["render", "compare", "align", "inspect", "batch"])
def test_a_plug_in_that_comes_with_the_tracks_is_refused(
    premix: Premix, song: Song, started: list[str], command: str, bring: object
) -> None:
    """By every command, and before anything of it runs; the line names file and place."""
    file = bring(song)  # type: ignore[operator]
    file.write_text("stand-in")
    said = premix(*commands(song)[command])
    assert said.code == 1, said.err
    (line,) = [line for line in said.lines if "[plug-in-not-allowed]" in line]
    assert "--allow-plug-ins" in line and "mics.ribbon.chain[0]" in line
    assert ("song.yaml" if bring is by_song_file else "plain.vst3") in line
    assert started == []
    assert "plug-in-not-allowed" in REMEDIES


def test_it_is_loaded_where_that_is_allowed_and_named_with_its_hash(premix: Premix, song: Song) -> None:
    """In the summary of the run, for everybody to see what was run."""
    file = by_song_file(song)
    file.write_text("stand-in")
    sha256 = hashlib.sha256(b"stand-in").hexdigest()
    said = premix(*commands(song, "--allow-plug-ins")["render"])
    assert said.code == 0, said.err
    line = f"  plug-in: plain.vst3 at mics.ribbon.chain[0].plug_in.file, sha256 {sha256}"
    assert line in said.lines
    shutil.rmtree(song.out("new"))
    said = premix(*commands(song, "--allow-plug-ins")["compare"])
    assert (said.code, line in said.lines) == (0, True), said.err


def test_one_that_the_recipe_names_needs_no_word(premix: Premix, song: Song) -> None:
    """Also where the recipe that it extends names it, or a value by --set."""
    (song.recipe.parent / "plain.vst3").write_text("stand-in")
    chain = CHAIN.replace("PLACE", str(song.recipe.parent))
    (song.recipe.parent / "mine.yaml").write_text(f"extends: recipe.yaml\n{chain}", "utf-8")
    (song.recipe.parent / "last.yaml").write_text("extends: mine.yaml\n", "utf-8")
    setting = f"mics.ribbon.chain=[{{plug_in: {{file: {song.recipe.parent}/plain.vst3}}}}]"
    for recipe, more in (("mine.yaml", ()), ("last.yaml", ()), ("recipe.yaml", ("--set", setting))):
        out = ("--out", song.out("new"), "--no-report")
        said = premix("render", song.recipe.parent / recipe, song.tracks, *out, *more)
        assert (said.code, said.err.count("plug-in: plain.vst3")) == (0, 1), said.err


@pytest.mark.tools("posix")
@pytest.mark.parametrize("file", ["/", "/dev/zero", "/etc", "folder", "none.vst3", '"a\\0b.vst3"'])
def test_what_is_no_plug_in_is_refused_before_it_is_read(premix: Premix, song: Song, file: str) -> None:
    """A whole disk, a device, folders that are no bundle: one line, and at once."""
    (song.recipe.parent / "folder").mkdir()
    text = song.recipe.read_text("utf-8")
    step = f"ribbon: {{gain_db: -3, chain: [{{plug_in: {{file: {file}}}}}]}}"
    song.recipe.write_text(text.replace("ribbon: {gain_db: -3}", step), "utf-8")
    said = premix("render", song.recipe, song.tracks, "--out", song.out("new"))
    assert said.code == 1, said.err
    assert len(said.lines) == 1 and "chain[0].plug_in" in said.lines[0]
