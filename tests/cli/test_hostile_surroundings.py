"""What surrounds a run may be anything: closed streams, odd names, devices, pipes. One line, exit 1 or 2."""

import base64
import errno
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np
import psutil
import pytest
import soundfile

from premix.cli import main
from premix.messages import REMEDIES
from tests.cli.conftest import RECIPE, Premix, Said
from tests.rigs.sessions import Song, hashes, manifest_of, read, riff, tree, write_song, write_track

pytestmark = pytest.mark.tools("posix")


def one_line(said: Said, slug: str) -> str:
    assert said.code in (1, 2), said.err
    (line,) = said.lines
    assert line.endswith(f"[{slug}]"), line
    assert slug in REMEDIES
    return line


def shell(text: str, *values: object, **more: str) -> "subprocess.CompletedProcess[str]":
    """The command in a shell, whose redirections are part of it; {} stands for each value."""
    words = text.format(f"{sys.executable} -m premix", *values)
    environment = os.environ | more
    return subprocess.run(["sh", "-c", words], capture_output=True, text=True, env=environment, timeout=120)


def plain(song: Song, *more: object) -> tuple[object, ...]:
    return ("render", song.recipe, song.tracks, "--out", song.out("new"), "--no-report", *more)


@pytest.mark.parametrize("value", [1e19, 1e30, 1e38, -3e38, 1e200])
@pytest.mark.parametrize("command", ["render", "align", "inspect", "draft"])
def test_a_sample_that_no_recording_holds_is_one_line(premix: Premix, song: Song, value: float, command: str) -> None:
    """One float sample beyond all loudness, as a broken converter writes it; a draft leaves it out of its measures."""
    signal_ = read(song.tracks / "left_ribbon.wav")[0]
    signal_[5000] = value
    write_track(song.tracks / "left_ribbon.wav", signal_, subtype="DOUBLE")
    if command == "draft":
        assert (said := premix("draft", song.tracks)).code == 0 and said.err == ""
        return
    said = premix(*(plain(song) if command == "render" else (command, song.recipe, song.tracks)))
    assert said.code == 1
    (line,) = [line for line in said.lines if "[track-not-finite]" in line]
    assert "left/ribbon" in line and "1 samples" in line


@pytest.mark.parametrize("start", [(1 << 64) - 1, 1 << 63, 1 << 53])
def test_a_start_of_all_ones_is_one_line_a_track(premix: Premix, song: Song, start: int) -> None:
    """EBU Tech 3285 has 64 bits for it; --recover reads such files as ones without a start."""
    for path in song.tracks.glob("*.wav"):
        raw = path.read_bytes()
        samples = raw[raw.index(b"data") :]
        bext = b"\0" * 338 + start.to_bytes(8, "little") + b"\0" * 256
        head = raw[12 : raw.index(b"data")] + b"bext" + len(bext).to_bytes(4, "little") + bext
        whole = b"WAVE" + head + samples
        path.write_bytes(b"RIFF" + len(whole).to_bytes(4, "little") + whole)
    said = premix(*plain(song))
    assert (said.code, len(said.lines)) == (1, 3)
    assert all(str(start) in line and line.endswith("[start-impossible]") for line in said.lines)
    assert premix(*plain(song, "--recover")).code == 0


def test_names_that_are_no_utf_8_are_names(premix: Premix, song: Song) -> None:
    """Of the tracks' folder, of the recipe, of OUT; with a page, as JSON, and in a batch, whose summary is whole."""
    tracks = song.tracks.with_name(os.fsdecode(b"s\xff\xfeng"))
    song.tracks.rename(tracks)
    recipe = song.recipe.with_name(os.fsdecode(b"r\xff.yaml"))
    recipe.write_text(RECIPE.replace("song: Command\n", ""), "utf-8")
    out = song.out(os.fsdecode(b"o\xff"))
    assert premix("render", recipe, tracks, "--out", out).code == 0
    assert manifest_of(out)["song"] == "s\ufffd\ufffdng"
    for command in (("inspect", recipe, tracks, "--json"), ("draft", tracks, "--save", song.out("draft.yaml"))):
        assert premix(*command).code == 0
    album = song.out("album")
    album.mkdir()
    tracks.rename(album / tracks.name)
    shutil.copytree(album / tracks.name, album / "plain")
    batch = ("batch", recipe, album, "--out", song.out("songs"), "--jobs", "1")
    said = premix(*batch, "--summary-markdown", song.out("x"))
    assert said.code == 0, said.err
    summary = json.loads((song.out("songs") / "summary.json").read_text("utf-8"))
    assert [entry["verdict"] for entry in summary["songs"]] == ["done", "done"]
    for name in ("summary.csv", "index.html"):
        assert "s\ufffd\ufffdng" in (song.out("songs") / name).read_text("utf-8")
    said = premix(*batch)
    assert said.code == 0 and "2 unchanged" in said.err, said.err


@pytest.mark.parametrize("closed", ["2>&-", ">&-", "<&-", ">&- 2>&- <&-", "2>/dev/full"])
def test_closed_and_full_streams_change_nothing(song: Song, closed: str) -> None:
    """The work is done; no file of it gets what was meant for a stream."""
    done = shell("{} render {} {} --out {} --no-report " + closed, song.recipe, song.tracks, song.out("new"))
    assert done.returncode == 0
    assert hashes(song.out("new")) == hashes(song.out())
    done = shell("{} render {} {} --out {} " + closed, song.out("none.yaml"), song.tracks, song.out("new"))
    assert done.returncode == 1


@pytest.mark.parametrize(
    "command", ["--help", "schema", "inspect {} {} --json", "render {} {} --out {} --json --no-report"]
)
def test_standard_output_that_is_full_is_one_line(song: Song, command: str) -> None:
    """What was asked for could not be given: exit 1."""
    values = (song.recipe, song.tracks, song.out("new"))[: command.count("{}")]
    done = shell("{} " + command + " >/dev/full", *values)
    assert done.returncode == 1
    assert done.stderr.splitlines()[-1].endswith("[system-refused]")
    assert "Traceback" not in done.stderr and "Exception" not in done.stderr


def test_no_folder_for_temporary_files_is_one_line(premix: Premix, song: Song, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither TMPDIR nor any of the usual ones can be written; a bug's log has no place then, and that is said."""

    def none() -> str:
        raise FileNotFoundError(errno.ENOENT, "No usable temporary directory found")

    monkeypatch.setattr(tempfile, "gettempdir", none)
    one_line(premix(*plain(song)), "scratch-none")
    assert str(main.write_log("", "")).startswith("none")


def test_files_are_never_saved_over_what_is_no_file_of_ours(premix: Premix, song: Song) -> None:
    """Devices, pipes, folders, other people's files; of the schema, the summary, a sheet and a draft."""
    pipe, notes = song.out("pipe"), song.out("notes.txt")
    os.mkfifo(pipe)
    notes.write_text("mine")
    before = Path("/dev/full").stat().st_mode
    for place in (pipe, Path("/dev/full"), song.tracks, notes):
        for command in (
            ("schema", "--out", place),
            ("draft", song.tracks, "--save", place),
            ("align", song.recipe, song.tracks, "--save", place),
            ("batch", song.recipe, song.tracks, "--out", song.out("b"), "--summary-markdown", place),
        ):
            one_line(premix(*command), "save-exists")
    assert Path("/dev/full").stat().st_mode == before
    assert notes.read_text() == "mine" and pipe.is_fifo() and not song.out("b").exists()
    one_line(premix("schema", "--out", song.out("none") / "x.json"), "cannot-write")
    for _ in range(2):  # over its own, and over a file that somebody made for it
        assert premix("schema", "--out", song.out("schema.json")).code == 0
    song.out("empty").touch()
    assert premix("schema", "--out", song.out("empty")).code == 0


def test_a_pipe_is_never_opened(premix: Premix, song: Song) -> None:
    """As a recipe, a sheet, a list, a track, an impulse response, a song's file, or lying somewhere about."""
    pipe = song.out("pipe")
    os.mkfifo(pipe)
    for command in (
        ("render", pipe, song.tracks, "--out", song.out("new")),
        plain(song, "--alignment", pipe),
        ("batch", song.recipe, f"@{pipe}", "--out", song.out("b")),
        ("null", pipe, pipe),
        plain(song, "--set", f"mics.ribbon.chain=[{{convolution: {{file: {pipe}}}}}]"),
    ):
        assert premix(*command).code == 1
    os.mkfifo(song.tracks / "right_dynamic.wav")
    (song.tracks / "sub").mkdir()
    os.mkfifo(song.tracks / "sub" / "manifest.json")
    assert premix("draft", song.tracks).code == 0
    assert premix(*plain(song)).code == 0
    (song.tracks / "left_ribbon.wav").unlink()
    os.mkfifo(song.tracks / "left_ribbon.wav")
    assert premix(*plain(song, "--force")).code == 1
    os.mkfifo(song.tracks / "song.yaml")
    one_line(premix(*plain(song, "--force")), "recipe-not-a-file")


def test_a_wish_for_a_window_system_that_is_none_is_passed_over(song: Song) -> None:
    """MPLBACKEND is matplotlib's; premix shows no window."""
    done = shell("{} render {} {} --out {}", song.recipe, song.tracks, song.out("new"), MPLBACKEND="junk")
    assert done.returncode == 0, done.stderr
    assert list(song.out("new").glob("*_report.html"))


@pytest.mark.parametrize("text", ["[" * 100_000, '{"a":' * 100_000])
@pytest.mark.parametrize("as_what", ["recipe", "sheet", "song", "set"])
def test_nesting_without_end_is_one_line(premix: Premix, song: Song, text: str, as_what: str) -> None:
    """A hundred thousand levels, wherever a text is read."""
    path = song.tracks / "song.yaml" if as_what == "song" else song.out("deep.yaml")
    path.write_text(text)
    recipe = path if as_what == "recipe" else song.recipe
    more = {"sheet": ("--alignment", path), "set": ("--set", f"song={text}")}.get(as_what, ())
    one_line(premix("render", recipe, song.tracks, "--out", song.out("new"), *more), "recipe-too-deep")


@pytest.mark.parametrize("path", ["tracks.name", "performances.left.mics.ribbon.file", "deliver.name", "song"])
def test_a_nul_in_a_text_is_one_line(premix: Premix, song: Song, path: str) -> None:
    """By an escape of YAML; no file can have it in its name."""
    one_line(premix(*plain(song, "--set", f'{path}="a\\0b"')), "recipe-not-text")


def test_pictures_inside_out_are_part_of_it(premix: Premix, song: Song) -> None:
    """So the next render knows them for its own."""
    out = song.out("new")
    for _ in range(2):
        said = premix("render", song.recipe, song.tracks, "--out", out, "--pictures", out / "pictures")
        assert said.code == 0, said.err
    written = manifest_of(out)["written"]
    assert {f"pictures/{path.name}" for path in (out / "pictures").iterdir()} <= set(written)


def test_threads_of_a_library_change_no_sample_and_no_figure(song: Song) -> None:
    """Whatever the environment says."""
    manifests = []
    for threads in ("1", "4"):
        out = song.out(f"t{threads}")
        more = {f"{name}_NUM_THREADS": threads for name in ("OPENBLAS", "OMP", "MKL")}
        assert shell("{} render {} {} --out {} --no-report", song.recipe, song.tracks, out, **more).returncode == 0
        manifests.append((out / "manifest.json").read_bytes())
    assert manifests[0] == manifests[1]


def test_a_song_at_768_khz_has_its_page(premix: Premix, tmp_path: Path) -> None:
    """Its players hold what browsers play: clips at a whole part of the rate."""
    rate = 768_000
    take = riff(1, 3 * rate // 2, rate)
    late = np.concatenate([np.zeros(320), take[:-320]])
    song = write_song(tmp_path, RECIPE, {"left_dynamic": take, "left_ribbon": -late, "left_room": 0.3 * late}, rate)
    said = premix("render", song.recipe, song.tracks, "--out", song.out())
    assert said.code == 0, said.err
    (page,) = song.out().glob("*_report.html")
    found = re.search(r'id="clip-[^"]*">([^<]+)<', page.read_text("utf-8"))
    assert found is not None
    assert soundfile.info(io.BytesIO(base64.b64decode(found[1]))).samplerate == 192_000
    assert soundfile.info(next(song.out().glob("stems/*.wav"))).samplerate == rate


def under_way(song: Song) -> bool:
    return song.out("new").with_name(".premix-new-new").exists()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_request_to_end_leaves_nothing_behind(song: Song, tmp_path: Path, number: int) -> None:
    """As Ctrl-C does: exit 130, and neither OUT nor anything beside it nor temporary files."""
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    before = tree(song.recipe.parent)
    command = [sys.executable, "-m", "premix", *map(str, plain(song))]
    environment = os.environ | {"TMPDIR": str(temporary)}
    asks = partial(signal.signal, number, signal.SIG_DFL)  # whoever runs the tests may ignore it
    with subprocess.Popen(
        command, stderr=subprocess.PIPE, env=environment, start_new_session=True, preexec_fn=asks
    ) as process:
        end = time.monotonic() + 60
        while not under_way(song):
            assert time.monotonic() < end and process.poll() is None
            time.sleep(0.002)
        process.send_signal(number)
        _, said = process.communicate(timeout=60)
    assert (process.returncode, said) == (130, b"\ninterrupted; nothing was written\n")
    assert tree(song.recipe.parent) == before
    assert list(temporary.iterdir()) == []


def test_a_batch_that_is_asked_to_end_leaves_nothing_unfinished(song: Song, tmp_path: Path) -> None:
    """The request reaches every process of the group, as a service manager sends it."""
    album = song.out("album")
    for name in ("a", "b", "c"):
        shutil.copytree(song.tracks, album / name)
    out = song.out("songs")
    command = [sys.executable, "-m", "premix", "batch", song.recipe, album, "--out", out, "--jobs", "2", "--no-report"]
    environment = os.environ | {"TMPDIR": str(tmp_path)}
    words = [str(word) for word in command]
    with subprocess.Popen(words, stderr=subprocess.PIPE, env=environment, start_new_session=True) as process:
        end = time.monotonic() + 60
        while not list(out.glob(".premix-new-*")):
            assert time.monotonic() < end and process.poll() is None
            time.sleep(0.002)
        workers = psutil.Process(process.pid).children(recursive=True)
        os.killpg(process.pid, signal.SIGTERM)
        _, said = process.communicate(timeout=60)
    assert process.returncode == 130, said
    assert b"Traceback" not in said
    psutil.wait_procs(workers, timeout=20)
    assert not [path for path in out.rglob("*") if path.name.startswith(".premix")]
