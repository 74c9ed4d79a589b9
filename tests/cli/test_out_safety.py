"""OUT is somebody's folder: nothing that premix did not write, and nothing that it reads, is ever taken from it."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from premix import pipeline
from premix.messages import REMEDIES
from premix.model import song as model
from premix.tracks import intake
from tests.cli.conftest import Premix, Said
from tests.rigs.sessions import Song, manifest_of, tree

SHEET = """\
sheet: 1
rate: 48000
reference: dynamic
performances:
  left:
    dynamic: {polarity: normal, delay_samples: 0}
    ribbon: {polarity: inverted, delay_samples: 20}
    room: {polarity: normal, delay_samples: 0}
"""


@pytest.fixture
def meanwhile(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], object]], None]:
    """Do something while the next render is at work: after its last look at the tracks, before its files appear."""

    def do(work: Callable[[], object]) -> None:
        real = intake.check_unchanged

        def last_look(song: model.Song) -> None:
            work()
            real(song)

        monkeypatch.setattr(pipeline, "check_unchanged", last_look)

    return do


def render(premix: Premix, song: Song, *more: object, out: Path | None = None) -> Said:
    return premix("render", song.recipe, song.tracks, "--out", out or song.out(), "--no-report", *more)


def refused(said: Said, slug: str, *words: str) -> None:
    """Exit 1 and one line."""
    assert said.code == 1, said.err
    (line,) = said.lines
    assert line.endswith(f"[{slug}]"), line
    assert slug in REMEDIES
    for word in words:
        assert word in line


@pytest.mark.parametrize("force", [(), ("--force",)], ids=["plain", "forced"])
@pytest.mark.parametrize("there", [True, False], ids=["OUT was there", "OUT is new"])
def test_file_saved_into_out_while_a_render_runs_stays(
    premix: Premix, song: Song, meanwhile: Callable[..., None], force: tuple[str, ...], there: bool
) -> None:
    """A mixer saves a session beside the stems; OUT is as it was with that file in it, and the line names it."""
    out = song.out()
    if not there:
        shutil.rmtree(out)
    before = tree(out)

    def save() -> None:
        (out / "stems").mkdir(parents=True, exist_ok=True)
        (out / "stems" / "mix.session").write_text("weeks of work")

    meanwhile(save)
    refused(render(premix, song, "--set", "deliver.bits=16", *force), "out-changed", "stems/mix.session", str(out))
    after = tree(out)
    assert {name: after[name] for name in before} == before
    assert (out / "stems" / "mix.session").read_text() == "weeks of work"
    assert {path.name for path in out.parent.iterdir()} == {"recipe.yaml", "tracks", "out"}


def test_file_of_premix_that_is_saved_over_while_a_render_runs_stays(
    premix: Premix, song: Song, meanwhile: Callable[..., None]
) -> None:
    """Notes written into the track sheet are somebody's work, whatever the file was before."""
    (sheet,) = song.out().glob("*_track_sheet.txt")
    meanwhile(lambda: sheet.write_text("my notes"))
    refused(render(premix, song, "--set", "deliver.bits=16"), "out-changed", sheet.name)
    assert sheet.read_text() == "my notes"


def test_another_render_that_ends_in_a_folder_of_out_stays(
    premix: Premix, song: Song, meanwhile: Callable[..., None]
) -> None:
    """Whole files of a run that began before this one and was over before its end."""
    out = song.out()
    shutil.copytree(out, song.out("other"))
    meanwhile(lambda: song.out("other").rename(out / "sub"))
    refused(render(premix, song), "out-changed", "sub/")
    assert manifest_of(out / "sub")["song"] == "Command"


@pytest.mark.parametrize("where", ["sub", "."])
def test_a_render_inside_another_one_s_folder_is_refused(
    premix: Premix, song: Song, meanwhile: Callable[..., None], where: str
) -> None:
    """Both ways, also with --force: the folder above is being written, or one in it."""
    out = song.out()
    inner, outer = out / "deep" / "sub", out
    first, second = (outer, inner) if where == "sub" else (inner, outer)
    said: list[Said] = []

    def second_run() -> None:
        said.append(render(premix, song, "--force", out=second))

    meanwhile(_once(second_run))
    code = render(premix, song, "--force", out=first).code
    refused(said[0], "out-in-use")
    assert code == 0
    assert manifest_of(first)["song"] == "Command"


def _once(work: Callable[[], object]) -> Callable[[], None]:
    left = [work]

    def run() -> None:
        if left:
            left.pop()()

    return run


@pytest.mark.parametrize("force", [(), ("--force",)], ids=["plain", "forced"])
def test_inputs_that_lie_in_out_are_refused(premix: Premix, song: Song, force: tuple[str, ...]) -> None:
    """Recipe, the recipe it extends, sheet, impulse response, and a track that is a link into OUT; forced or not."""
    out = song.out("mine")
    out.mkdir()
    text = song.recipe.read_text("utf-8")
    top = song.recipe.parent
    (top / "sheet.yaml").write_text(SHEET, "utf-8")
    (top / "apart.yaml").write_text("extends: mine/base.yaml\n", "utf-8")
    shutil.copy(song.tracks / "left_room.wav", top / "response.wav")

    def lay(name: str, content: bytes) -> None:
        shutil.rmtree(out)
        out.mkdir()
        (out / name).write_bytes(content)

    def held(recipe: Path, word: str, *more: object) -> None:
        before = tree(top)
        said = premix("render", recipe, song.tracks, "--out", out, "--no-report", *force, *more)
        if not force:  # told of what lies there, too; here it is foreign
            assert said.code == 1
        else:
            refused(said, "out-holds-input", word)
        assert tree(top) == before

    lay("recipe.yaml", text.encode())
    held(out / "recipe.yaml", "the recipe")
    lay("base.yaml", text.encode())
    held(top / "apart.yaml", "the recipe")
    lay("sheet.yaml", SHEET.encode())
    held(song.recipe, "the alignment sheet", "--alignment", out / "sheet.yaml")
    lay("room.wav", (top / "response.wav").read_bytes())
    convolved = text.replace(
        "ribbon: {gain_db: -3}", "ribbon: {gain_db: -3, chain: [{convolution: {file: mine/room.wav}}]}"
    )
    assert convolved != text
    song.recipe.write_text(convolved, "utf-8")
    held(song.recipe, "the file of a chain")
    song.recipe.write_text(text, "utf-8")
    lay("left_room.wav", (song.tracks / "left_room.wav").read_bytes())
    (song.tracks / "left_room.wav").unlink()
    (song.tracks / "left_room.wav").symlink_to(out / "left_room.wav")
    held(song.recipe, "the track")


def test_another_song_s_render_is_not_replaced_unless_forced(premix: Premix, song: Song) -> None:
    """Song B into song A's OUT: what would be replaced is named; with --force it is."""
    before = tree(song.out())
    other = ("--set", "song=Sandpiper")
    count = len(manifest_of(song.out())["written"])
    refused(render(premix, song, *other), "out-other-run", f"a render of Command, {count} files", "Sandpiper")
    assert tree(song.out()) == before
    assert render(premix, song, *other, "--force").code == 0
    assert manifest_of(song.out())["song"] == "Sandpiper"


def test_another_kind_of_output_is_not_replaced_unless_forced(premix: Premix, song: Song) -> None:
    """A comparison over a render, and the other way round."""
    before = tree(song.out())
    compare = ("compare", song.recipe, song.tracks, "--out", song.out(), "--vary", "mics", "--no-report")
    refused(premix(*compare), "out-other-run", "a render of Command", "a comparison of Command")
    assert tree(song.out()) == before
    assert premix(*compare, "--force").code == 0
    refused(render(premix, song), "out-other-run", "a comparison of Command")


@pytest.mark.tools("posix")
def test_whole_disks_circles_and_impossible_names_are_one_line(premix: Premix, song: Song) -> None:
    """`--out /`, a loop of links, a name that is too long."""
    loop = song.out("loop")
    loop.symlink_to(song.out("other"))
    song.out("other").symlink_to(loop)
    refused(render(premix, song, out=Path("/")), "out-impossible")
    refused(render(premix, song, out=loop), "out-impossible", "circle")
    refused(render(premix, song, out=song.out("x" * 300)), "out-impossible")
