"""Scratch folders: one a run, gone with it, and swept by the next run where the run was killed."""

import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from premix.delivery import scratch as lock
from premix.delivery.scratch import scratch_folder

HOLDER = """
import time
from premix.delivery.scratch import scratch_folder
with scratch_folder() as folder:
    (folder / "half.key").write_text("half")
    print(folder, flush=True)
    time.sleep(60)
"""


@pytest.fixture
def top(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where the system keeps temporary files, for this test and its processes."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    return tmp_path


def holder() -> tuple[subprocess.Popen[str], Path]:
    """Another process that is at work in a scratch folder of its own."""
    process = subprocess.Popen([sys.executable, "-c", HOLDER], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    return process, Path(process.stdout.readline().strip())


@pytest.mark.parametrize("error", [None, RuntimeError, KeyboardInterrupt])
def test_folder_goes_with_its_run(top: Path, error: type[BaseException] | None) -> None:
    """Whether it ends well, with a bug or by Ctrl-C."""
    try:
        with scratch_folder() as folder:
            (folder / "a.key").write_text("envelope")
            assert folder.parent == top
            if error:
                raise error
    except (RuntimeError, KeyboardInterrupt):
        pass
    assert list(top.iterdir()) == []


def test_next_run_sweeps_what_a_killed_one_left_and_no_other(top: Path) -> None:
    """kill -9 of one of two runs: its folder goes, that of the other stays."""
    (dead, left), (living, used) = holder(), holder()
    try:
        with dead:
            dead.kill()
        assert (left / "half.key").exists()
        with scratch_folder():
            assert not left.exists() and (used / "half.key").exists()
    finally:
        with living:
            living.kill()
    with scratch_folder():
        pass
    assert list(top.iterdir()) == []


def test_folder_whose_lock_says_nothing_stays(top: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a file system without locks nobody can tell a living run from a dead one."""
    process, used = holder()
    monkeypatch.setattr(lock, "_lock", lambda handle: None)
    with process:
        with scratch_folder():
            assert (used / "half.key").exists()
        process.kill()
    assert (used / "half.key").exists()
