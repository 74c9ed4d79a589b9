"""Exit codes: 0 done, 1 the user, 3 a bug with a log, 4 a broken limit, 130 interrupted (2 stands with the help)."""

import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import Premix
from tests.rigs.sessions import Song, manifest_of, riff, tree, write_song, write_track


def test_done_is_0(premix: Premix, song: Song) -> None:
    """A render that holds; the summary is for people, on standard error."""
    said = premix("render", song.recipe, song.tracks, "--out", song.out("new"), "--no-report")
    assert (said.code, said.out) == (0, "")
    assert said.lines[0] == "Command: 3 tracks, 2.0 s at 48000 Hz"
    assert said.lines[-1].startswith("done: 4 files, ")
    assert (song.out("new") / "manifest.json").exists()


def test_broken_limit_is_4_and_the_files_are_there(premix: Premix, song: Song) -> None:
    """A side alone loses 3 dB in mono: rendered all the same; the limit, its value and the way out are told."""
    said = premix(
        "render", song.recipe, song.tracks, "--out", song.out("new"), "--no-report", "--set", "limits.mono_fold_db=-1"
    )
    assert said.code == 4
    assert any("[limit-mono-fold]" in line for line in said.lines)
    assert said.lines[-1].startswith("1 limit broken: 4 files")
    told = [f for f in manifest_of(song.out("new"))["findings"] if f["slug"] == "limit-mono-fold"]
    assert [f["severity"] for f in told] == ["error"]


def test_limit_that_cannot_be_measured_is_4(premix: Premix, song: Song) -> None:
    """One side alone has no correlation with the other: a line of its own, and the files are there."""
    out = song.out("new")
    said = premix("render", song.recipe, song.tracks, "--out", out, "--no-report", "--set", "limits.correlation=-1")
    assert said.code == 4
    (line,) = [line for line in said.lines if "[limit-not-measured]" in line]
    assert "correlation cannot be measured: guitar bus" in line and "remove the limit" in line
    assert said.lines[-1].startswith("1 limit broken: 4 files")


def test_limit_that_holds_is_0(premix: Premix, song: Song) -> None:
    """A limit is only a limit."""
    settings = ["--set", "limits.true_peak_dbtp=-1", "--set", "limits.sum_efficiency_db=-3"]
    assert premix("render", song.recipe, song.tracks, "--out", song.out("new"), "--no-report", *settings).code == 0


@pytest.mark.parametrize(("refused", "code"), [("stop", 1), ("mute", 0), ("keep", 0)])
def test_refused_mic_does_what_the_recipe_says(premix: Premix, song: Song, refused: str, code: int) -> None:
    """A silent close mic stops the render, or is muted, or summed as recorded."""
    write_track(song.tracks / "left_ribbon.wav", np.zeros(96000))
    said = premix(
        "render",
        song.recipe,
        song.tracks,
        "--out",
        song.out("new"),
        "--no-report",
        "--set",
        f"alignment.refused={refused}",
    )
    assert said.code == code
    assert song.out("new").exists() == (code == 0)
    if code == 0:
        (ribbon,) = [d for d in manifest_of(song.out("new"))["alignment"] if d["mic"] == "ribbon"]
        assert (ribbon["origin"], ribbon["refusal"]) == ("refused", "alignment-silent")
        assert ribbon["summed"] == (refused == "keep")


def test_align_shows_a_refusal_and_never_stops(premix: Premix, song: Song) -> None:
    """`premix align` is for looking: exit 0, the refusal in words and with its slug."""
    write_track(song.tracks / "left_ribbon.wav", np.zeros(96000))
    said = premix("align", song.recipe, song.tracks)
    assert said.code == 0
    assert "refused: alignment-silent" in said.err


def test_inspect_is_1_where_a_render_would_stop(premix: Premix, song: Song) -> None:
    """NaN in a track: `premix inspect` says so with the render's own line and exit code."""
    assert premix("inspect", song.recipe, song.tracks).code == 0
    signal_ = riff(1, 96000)
    signal_[7] = np.nan
    write_track(song.tracks / "left_ribbon.wav", signal_, subtype="FLOAT")
    said = premix("inspect", song.recipe, song.tracks)
    assert said.code == 1
    assert "[track-not-finite]" in said.err


def test_bug_is_3_with_a_log(premix: Premix, song: Song, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What premix did not foresee: one line, a log with the traceback, no traceback on the screen, OUT untouched."""

    def broken(*arguments: object, **options: object) -> None:
        raise ZeroDivisionError("a bug of ours")

    monkeypatch.setattr("premix.pipeline.plan_mix", broken)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    before = tree(song.recipe.parent)
    said = premix("render", song.recipe, song.tracks, "--out", song.out())
    assert said.code == 3
    (line,) = said.lines
    assert line.startswith("premix has a bug: ZeroDivisionError: a bug of ours; log: ")
    log = Path(line.split("log: ")[1])
    assert "in broken" in log.read_text("utf-8")
    assert tree(song.recipe.parent) == before
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith("premix-") and p.is_dir()] == []


def hearing_interrupts() -> None:
    """In the child: a run whose own parent ignores Ctrl-C (nohup, a job in the background) would pass that on."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@pytest.mark.tools("posix")
def test_interrupted_is_130_and_nothing_is_left(tmp_path: Path) -> None:
    """Ctrl-C in the middle of the work: one line, no half-written folder, no lock, an earlier OUT as it was."""
    take = np.tile(riff(1, 48000), 60)
    song = write_song(
        tmp_path / "song", "format: 1\nmics: {dynamic: {}}\nperformances: {left: {bus: left}}\n", {"left_dynamic": take}
    )
    song.out().mkdir()
    before = tree(tmp_path)
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    command = [sys.executable, "-m", "premix", "render", song.recipe, song.tracks, "--out", song.out()]
    process = subprocess.Popen(
        [str(word) for word in command],
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(scratch)},
        preexec_fn=hearing_interrupts,
    )
    end = time.monotonic() + 120.0
    while not any(scratch.glob("premix-run-*/*")):  # what premix works in; libraries leave other things there
        assert process.poll() is None
        assert time.monotonic() < end
        time.sleep(0.002)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=120)
    assert process.returncode == 130
    assert err.strip() == "interrupted; nothing was written"
    assert list(scratch.iterdir()) == []
    scratch.rmdir()
    assert tree(tmp_path) == before
    assert list(song.out().iterdir()) == []


def test_reader_that_goes_away_is_no_bug() -> None:
    """`premix schema | head -1`: no traceback when the pipe closes."""
    line = f"{sys.executable} -m premix schema | head -c 10"
    done = subprocess.run(["bash", "-c", line], capture_output=True, text=True)
    assert done.stdout.startswith("{")
    assert done.stderr == ""
