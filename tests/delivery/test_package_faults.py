"""Faults while an output folder is made: killed, disk full, read-only. OUT is the old or the new one, whole."""

import errno
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from premix.delivery import whole as swap
from premix.delivery.package import Package
from premix.delivery.whole import mend, replace_folder, write_text_file
from premix.errors import DeliveryError
from tests.delivery.conftest import SMALL
from tests.rigs.killed import KilledError, dying_at

FILES = 5


def fill(folder: Path, text: str) -> None:
    folder.mkdir()
    for number in range(FILES):
        (folder / f"{number}.wav").write_text(text)
    (folder / "manifest.json").write_text(text)


def state(folder: Path) -> str:
    """The text that all files of a whole folder hold; fails on a mixture or a part."""
    texts = {p.read_text() for p in folder.glob("*.wav")}
    assert len(list(folder.glob("*.wav"))) == FILES
    assert len(texts) == 1
    return texts.pop()


@pytest.mark.parametrize("exchange", [True, False], ids=["exchange", "two renames"])
@pytest.mark.parametrize("first_run", [True, False])
def test_kill_between_any_two_steps_leaves_old_or_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, exchange: bool, first_run: bool
) -> None:
    """Every system call of the replacement is the last one in turn. Where names can be exchanged, OUT is whole at
    every moment; elsewhere at the latest when the next run begins. No step leaves anything behind after that."""
    if not exchange:
        monkeypatch.setattr(swap, "_exchange", lambda one, other: False)
    reached: list[bool] = []
    cut = 0
    while cut == 0 or reached[-1]:
        cut += 1
        top = tmp_path / str(cut)
        top.mkdir()
        new, out, old = (top / name for name in ("new", "out", "old"))
        if not first_run:
            fill(out, "old")
        fill(new, "new")
        with monkeypatch.context() as patch:
            reached.append(killed_at(patch, cut, new, out, old))
        before = state(out) if out.exists() else None
        if exchange:
            assert before is not None or first_run
        mend(new, out, old)
        if first_run and before is None:
            assert not out.exists()
        else:
            assert state(out) == (before or "old")
        assert {p.name for p in top.iterdir()} <= {"out"}
    assert len(reached) > (3 if not first_run else 1)  # there were steps to be killed between


def killed_at(patch: pytest.MonkeyPatch, cut: int, new: Path, out: Path, old: Path) -> bool:
    """Run the replacement and kill it before its cut-th step; False where it has fewer."""
    dying = dying_at(cut)
    patch.setattr(Path, "rename", dying(Path.rename))
    patch.setattr(swap, "_exchange", dying(swap._exchange))
    patch.setattr(swap, "sync", dying(swap.sync))
    patch.setattr(os, "unlink", dying(os.unlink))  # rmtree removes file by file
    patch.setattr(os, "rmdir", dying(os.rmdir))
    try:
        replace_folder(new, out, old)
    except KilledError:
        return True
    return False


def test_names_are_exchanged_in_one_step_here(tmp_path: Path) -> None:
    """Linux offers it on the usual file systems; the two renames are for the others."""
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    (tmp_path / "a" / "1").touch()
    assert swap._exchange(tmp_path / "a", tmp_path / "b") == sys.platform.startswith("linux")
    assert (tmp_path / "b" / "1").exists() == sys.platform.startswith("linux")


def test_failed_second_rename_puts_the_old_folder_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where names cannot be exchanged, and the new folder cannot take its place."""
    monkeypatch.setattr(swap, "_exchange", lambda one, other: False)
    new, out, old = (tmp_path / name for name in ("gone", "out", "old"))
    fill(out, "old")
    with pytest.raises(OSError, match="No such file"):
        replace_folder(new, out, old)
    assert state(out) == "old"


WRITER = """
import sys
from pathlib import Path
from premix.delivery.package import Package
from tests.delivery.conftest import SMALL
out, inputs = Path(sys.argv[1]), Path(sys.argv[2])
print("ready", flush=True)
for run in range(100000):
    with Package(out, inputs_folder=inputs) as package:
        for number in range(5):
            (package.folder / f"{number}.wav").write_text(f"run {run}")
        package.commit(SMALL)
"""


@pytest.mark.tools("posix")
def test_kill_9_at_random_moments_leaves_a_whole_folder(tmp_path: Path) -> None:
    """20 real kills of a process that delivers again and again; the next run finds nothing of the dead one."""
    dice = random.Random(9)
    out, inputs = tmp_path / "out", tmp_path / "tracks"
    inputs.mkdir()
    for _ in range(20):
        with subprocess.Popen(
            [sys.executable, "-c", WRITER, str(out), str(inputs)], stdout=subprocess.PIPE, cwd=Path.cwd()
        ) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == b"ready\n"
            deadline = time.monotonic() + 60
            while not out.exists() and time.monotonic() < deadline:
                time.sleep(0.001)
            time.sleep(dice.uniform(0, 0.03))
            process.send_signal(signal.SIGKILL)
            process.wait()
        assert state(out).startswith("run ")
        assert set(json.loads((out / "manifest.json").read_text())["written"]) == {p.name for p in out.iterdir()}
    with Package(out, inputs_folder=inputs):
        pass
    assert {p.name for p in tmp_path.iterdir()} == {"out", "tracks"}


FULL_DISK = """
import resource, sys
from pathlib import Path
import numpy as np
from premix.audio.writer import PartWriter
from premix.delivery.package import Package
from premix.errors import DeliveryError
from tests.delivery.conftest import SMALL
out, inputs, container, limit = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3], int(sys.argv[4])
if limit:
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
noise = np.random.default_rng(1).uniform(-1, 1, (1, 65536))
try:
    with Package(out, inputs_folder=inputs) as package:
        path = package.folder / f"stem.{container}"
        with PartWriter(path, rate=48000, channels=1, frames=20 * 65536, container=container) as writer:
            for _ in range(20):
                writer.write(noise)
            writer.close()
        package.commit(SMALL)
except DeliveryError as error:
    print(*(problem.slug for problem in error.problems))
"""


def small_disk(folder: Path) -> bool:
    """Put a disk of 1 MB at a folder; False where this system does not let us."""
    command = ["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(folder)]
    return shutil.which("mount") is not None and subprocess.run(command, capture_output=True).returncode == 0


@pytest.fixture(params=["limit", "disk"])
def tight(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[Path, int]]:
    """A folder on a full-to-be disk and the limit of one file's size: a file size limit of 1 MB, and a real disk
    of 1 MB where one may be mounted (else the limit again, smaller)."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = request.param == "disk" and small_disk(folder)
    try:
        yield folder, 0 if mounted else (1_000_000 if request.param == "limit" else 300_000)
    finally:
        if mounted:
            subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.tools("posix")
@pytest.mark.parametrize("container", ["wav", "flac"])
def test_full_disk_is_one_clear_error_and_leaves_the_old(
    tmp_path: Path, tight: tuple[Path, int], container: str
) -> None:
    """4 MB of samples that do not fit: nothing half-written, the old outputs as they were."""
    folder, limit = tight
    out, inputs = folder / "out", tmp_path / "tracks"
    inputs.mkdir()
    with Package(out, inputs_folder=inputs) as package:
        (package.folder / "old.wav").write_text("old")
        package.commit(SMALL)
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(out), str(inputs), container, str(limit)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (done.stdout, done.stderr) == ("disk-full\n", "")
    assert {p.name for p in out.iterdir()} == {"old.wav", "manifest.json", "Tidewater_checksums.sha256"}
    assert {p.name for p in folder.iterdir()} == {"out"}


def test_disk_that_fills_up_outside_the_samples_is_the_same_error(tmp_path: Path) -> None:
    """A track sheet or a report can be the one that does not fit."""
    with pytest.raises(DeliveryError, match="disk-full"), Package(tmp_path / "out", inputs_folder=tmp_path / "tracks"):
        raise OSError(errno.ENOSPC, "No space left on device")
    assert list(tmp_path.iterdir()) == []


def test_disk_that_fills_up_at_the_commit_leaves_the_old(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Delayed writes are refused as late as in fsync."""

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with (
        pytest.raises(DeliveryError, match="disk-full"),
        Package(tmp_path / "out", inputs_folder=tmp_path / "tracks") as package,
    ):
        (package.folder / "a.wav").write_text("new")
        package.commit(SMALL)
    assert list(tmp_path.iterdir()) == []


def test_text_file_is_whole_or_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is there is replaced in one step, and by a sheet or a recipe only where premix wrote it."""
    path, own = tmp_path / "saved.yaml", "# premix\n"
    write_text_file(path, own + "old", own)
    write_text_file(path, own + "new", own)
    assert path.read_bytes() == b"# premix\nnew"
    path.write_text("weeks of work")
    with pytest.raises(DeliveryError, match="save-exists"):
        write_text_file(path, own, own)
    assert path.read_text() == "weeks of work"
    write_text_file(path, "summary")
    assert path.read_text() == "summary"
    monkeypatch.setattr(Path, "replace", lambda self, target: self.rename(tmp_path / "no" / "such" / "place"))
    with pytest.raises(DeliveryError, match="cannot-write"):
        write_text_file(path, "half")
    assert [(p.name, p.read_text()) for p in tmp_path.iterdir()] == [("saved.yaml", "summary")]


@pytest.fixture
def read_only() -> Iterator[Path]:
    """A folder nobody may write into; as root, who always may, this process becomes nobody for a while."""
    folder = Path(tempfile.mkdtemp(prefix="premix-test-"))
    folder.chmod(0o555)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield folder
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o755)
        shutil.rmtree(folder)


def test_read_only_folder_is_one_clear_error(read_only: Path) -> None:
    """Said before any rendering, with the place."""
    with (
        pytest.raises(DeliveryError, match=r"cannot be written \(Permission denied\).*\[cannot-write\]"),
        Package(read_only / "out", inputs_folder=Path("/nowhere")),
    ):
        pass
    assert list(read_only.iterdir()) == []
