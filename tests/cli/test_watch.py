"""`premix render --watch`: one line a run, whatever is saved and however badly; Ctrl-C leaves what lies in OUT."""

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
import soundfile

from premix.cli import watch as watch_module
from premix.cli.watch import Waker, Watched, watch
from premix.delivery.against import Render
from premix.errors import Exit
from premix.pipeline import Outcome, render
from tests.cli.conftest import Premix
from tests.rigs.sessions import Song, manifest_of, riff, tree, write_song, write_track

PATIENCE_S = 90.0
HOUSE = """\
format: 1
song: Watched
mics:
  dynamic: {polarity: normal, delay: none}
  room: {role: room, polarity: normal}
performances: {left: {bus: left}}
"""


@pytest.fixture
def song(tmp_path: Path) -> Song:
    """A recipe that extends another, and a song's own file to come."""
    made = write_song(
        tmp_path, "format: 1\nextends: house.yaml\n", {"left_dynamic": riff(1, 48000), "left_room": riff(2, 48000)}
    )
    (tmp_path / "house.yaml").write_text(HOUSE)
    return made


class Watching:
    """The command as a process; its lines as they come."""

    def __init__(self, song: Song, *words: str) -> None:
        command = [
            sys.executable,
            "-m",
            "premix",
            "render",
            song.recipe,
            song.tracks,
            "--out",
            song.out(),
            "--no-report",
        ]
        self.process = subprocess.Popen(
            [*map(str, command), "--watch", *words],
            stderr=subprocess.PIPE,
            text=True,
            bufsize=1,
            preexec_fn=partial(signal.signal, signal.SIGINT, signal.default_int_handler),  # a background run ignores it
        )
        self.lines: list[str] = []
        self._read = threading.Thread(target=self._follow, daemon=True)
        self._read.start()

    def _follow(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.lines.append(line.rstrip())

    def runs(self) -> list[str]:
        """The lines that tell of a run, without the time of day."""
        return [line[9:] for line in self.lines if re.match(r"\d\d:\d\d:\d\d ", line)]

    def run(self, number: int) -> str:
        """The line of a run, once it is there."""
        end = time.monotonic() + PATIENCE_S
        while len(self.runs()) < number:
            assert self.process.poll() is None, self.lines
            assert time.monotonic() < end, self.lines
            time.sleep(0.02)
        return self.runs()[number - 1]

    def close(self) -> None:
        """Once it has ended: read its last lines."""
        self._read.join()
        assert self.process.stderr is not None
        self.process.stderr.close()

    def stop(self) -> int:
        self.process.send_signal(signal.SIGINT)
        self.process.wait(PATIENCE_S)
        self._read.join()
        return self.process.returncode


@pytest.fixture
def watching(song: Song) -> Iterator[Watching]:
    one = Watching(song)
    yield one
    one.process.kill()
    one.process.wait()
    one.close()


@pytest.mark.tools("posix")
def test_whatever_is_saved_is_rendered_and_told_in_db(song: Song, watching: Watching) -> None:
    """Recipe, layer, the song's own file, a track; a faulty recipe shows its faults, and the render before stays."""
    assert watching.run(1).startswith("done: 4 files in ") and watching.run(1).endswith("nothing to compare it with")
    (song.recipe.parent / "house.yaml").write_text(HOUSE + "buses: {left: {pan: -1, gain_db: -2}}\n")
    assert "4 files changed: level at most -2.00 dB" in watching.run(2)
    (song.tracks / "song.yaml").write_text("guitar_bus: {gain_db: -1}\n")
    assert "level at most -1.00 dB" in watching.run(3)

    before = tree(song.out())
    song.recipe.write_text("format: 1\nextends: house.yaml\nmics: {dynamic: {gain_bd: 1}}\n")
    assert watching.run(4).startswith("not rendered, 1 to mend")
    time.sleep(0.1)
    fault = next(line for line in watching.lines if "[recipe-unknown-key]" in line)
    assert "gain_bd" in fault and "recipe.yaml:3:" in fault
    assert tree(song.out()) == before

    song.recipe.write_text("format: 1\nextends: house.yaml\n")
    assert watching.run(5).endswith("no sample changed")
    write_track(song.tracks / "left_room.wav", 0.5 * riff(2, 48000))
    assert "files changed: level at most" in watching.run(6) and "room_left" in watching.run(6)
    assert manifest_of(song.out())["inputs"][1]["sha256"] != ""
    assert watching.stop() == 130
    assert watching.lines[-1] == f"stopped; what lies in {song.out()} is whole"
    assert len(watching.runs()) == 6  # nothing was rendered without a cause
    assert not [path for path in song.out().parent.iterdir() if path.name.startswith(".premix")]


@pytest.mark.tools("posix")
def test_ctrl_c_in_the_middle_of_a_run_leaves_the_last_one(song: Song, watching: Watching) -> None:
    """OUT is the render before, file by file, and nothing lies beside it."""
    watching.run(1)
    before = tree(song.out())
    song.recipe.write_text("format: 1\nextends: house.yaml\nguitar_bus: {gain_db: -1}\n")
    end = time.monotonic() + PATIENCE_S
    while not [path for path in song.out().parent.iterdir() if path.name.startswith(".premix-new")]:
        assert time.monotonic() < end and watching.process.poll() is None
        time.sleep(0.001)
    assert watching.stop() == 130
    assert len(watching.runs()) == 1
    assert tree(song.out()) == before
    assert not [path for path in song.out().parent.iterdir() if path.name.startswith(".premix")]


class Stop:
    """Renders so many times, saving something after each, then Ctrl-C."""

    def __init__(self, song: Song, saves: int) -> None:
        self._song, self._saves = song, saves
        self.runs = 0

    def __call__(self, earlier: Render | None) -> Outcome:
        self.runs += 1
        done = render(self._song.recipe, self._song.tracks, self._song.out(), earlier=earlier)
        if self.runs > self._saves:
            raise KeyboardInterrupt
        text = f"format: 1\nextends: house.yaml\nguitar_bus: {{gain_db: -{self.runs}}}\n"
        self._song.recipe.write_text(text)  # while the run is under way
        return done


@pytest.mark.parametrize("watcher", [True, False], ids=["watchdog", "polling"])
def test_what_is_saved_while_a_run_is_under_way_is_not_missed(
    song: Song, watcher: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """With the extra's watcher and by polling alone: every save is rendered."""
    once = Stop(song, 2)
    assert watch(Watched(song.recipe, song.tracks, None), song.out(), once, watcher=watcher) == Exit.INTERRUPTED
    assert once.runs == 3
    assert "level at most -1.00 dB" in capsys.readouterr().err


@pytest.mark.parametrize("watcher", [True, False], ids=["watchdog", "polling"])
def test_a_save_wakes_it(song: Song, watcher: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whichever file it is: the look after the save sees it. The watcher wakes long before the next look."""
    monkeypatch.setattr(watch_module, "WATCHED_LOOK_S", 60.0)
    watched = Watched(song.recipe, song.tracks, song.recipe.with_name("sheet.yaml"))
    for path in (
        song.recipe,
        song.recipe.with_name("house.yaml"),
        song.recipe.with_name("sheet.yaml"),
        song.tracks / "new.wav",
    ):
        before = watched.snapshot()
        with Waker(watched, watcher=watcher) as waker:
            assert waker.watches == watcher
            threading.Timer(0.3, lambda path=path: path.write_bytes(b"saved")).start()
            began = time.monotonic()
            while watched.snapshot() == before:
                waker.wait()
                assert time.monotonic() - began < 30.0


def test_a_save_that_takes_its_time_is_waited_for(song: Song, capsys: pytest.CaptureFixture[str]) -> None:
    """A track that grows for a second is rendered once, when it is whole."""
    path, (samples, rate) = song.tracks / "left_room.wav", soundfile.read(song.tracks / "left_room.wav", dtype="int32")
    runs = []

    def once(earlier: Render | None) -> Outcome:
        runs.append(len(soundfile.read(path)[0]))
        done = render(song.recipe, song.tracks, song.out(), earlier=earlier)
        if len(runs) == 2:
            raise KeyboardInterrupt
        threading.Thread(target=grow).start()
        return done

    def grow() -> None:
        for share in range(1, 11):
            soundfile.write(path, samples[: len(samples) * share // 10], rate, subtype="PCM_24")
            time.sleep(0.1)

    watch(Watched(song.recipe, song.tracks, None), song.out(), once)
    assert runs == [48000, 48000]


def test_the_watcher_is_an_extra(song: Song, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the package, or where it cannot watch, files are looked at again and again."""
    gone = Watched(song.recipe, song.tracks / "nowhere", None)
    with Waker(gone) as waker:
        assert not waker.watches
    monkeypatch.setitem(sys.modules, "watchdog.observers", None)
    with Waker(Watched(song.recipe, song.tracks, None)) as waker:
        assert not waker.watches


@pytest.mark.parametrize("words", [("--json",), ("--expect", "out")], ids=["json", "expect"])
def test_what_ends_with_a_run_goes_not_with_watching(premix: Premix, song: Song, words: tuple[str, ...]) -> None:
    """Usage, exit 2, before anything is rendered."""
    said = premix("render", song.recipe, song.tracks, "--out", song.out(), "--watch", *words)
    assert said.code == 2 and "--watch" in said.lines[-1]
    assert not song.out().exists() and os.path.lexists(song.recipe)
