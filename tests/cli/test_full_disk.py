"""A disk that is or gets full, or is read-only: one line with the place, the figures and what to do; OUT untouched."""

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.cli.conftest import Premix
from tests.rigs.sessions import Song, tree

KEPT_MB = 2.5
"""What a run of two seconds keeps for the next one takes less."""
FIGURES = r"all files together need (\d+\.\d) MB, (\d+\.\d) [MG]B are free"


def figures(line: str) -> tuple[float, float]:
    """Megabytes that are needed and units that are free, as told."""
    found = re.search(FIGURES, line)
    assert found is not None
    return float(found[1]), float(found[2])


def limited(song: Song, largest: int, temporary: Path) -> "subprocess.CompletedProcess[str]":
    """A render in a process that may write no file of more than `largest` bytes (setrlimit, RLIMIT_FSIZE)."""
    command = [sys.executable, "-m", "premix", "render", song.recipe, song.tracks, "--out", song.out(), "--no-report"]
    command += ["--set", "deliver.bits=32"]
    import resource

    return subprocess.run(
        [str(word) for word in command],
        capture_output=True,
        text=True,
        env={"TMPDIR": str(temporary), "PYTHONDONTWRITEBYTECODE": "1"},
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (largest, largest)),
    )


@pytest.mark.tools("posix")
@pytest.mark.parametrize("largest", [50_000, 200_000, 350_000])
def test_file_that_the_system_lets_not_grow_is_told(song: Song, tmp_path: Path, largest: int) -> None:
    """Temporary files are the first that do not fit, whichever call says so; what becomes of an output file is held
    in tests/delivery. One line, OUT as it was, nothing left."""
    before = tree(song.recipe.parent)
    done = limited(song, largest, tmp_path)
    (line,) = done.stderr.splitlines()
    assert (done.returncode, line.endswith(("[scratch-full]", "[disk-full]"))) == (1, True), line
    assert tree(song.recipe.parent) == before
    assert list(tmp_path.glob("premix*")) == []


@pytest.mark.tools("posix")
def test_no_room_for_temporary_files_is_told_with_their_place(song: Song, tmp_path: Path) -> None:
    """The key envelopes of two seconds have 16 kB; they lie where the system keeps temporary files, not in OUT."""
    before = tree(song.recipe.parent)
    done = limited(song, 3_000, tmp_path)
    (line,) = done.stderr.splitlines()
    assert done.returncode == 1
    assert line.startswith(f"{tmp_path}: ")
    assert "TMPDIR" in line
    assert line.endswith("[scratch-full]")
    assert tree(song.recipe.parent) == before
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith("premix")] == []


def test_disk_that_is_too_small_is_told_before_the_work(
    premix: Premix, song: Song, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Less free than the files need: refused with both figures before a sample is rendered."""
    usage = shutil.disk_usage(song.recipe.parent)
    monkeypatch.setattr(shutil, "disk_usage", lambda path: usage._replace(free=1_234_000))
    before = tree(song.recipe.parent)
    said = premix("render", song.recipe, song.tracks, "--out", song.out())
    assert said.code == 1
    (line,) = said.lines
    assert line.startswith(f"{song.out()}: ")
    needed, free = figures(line)
    # stem, room, bus and the stereo guitar bus of 2 s at 24 bits, and 16 MB for documents
    files = 16 + 5 * 2 * 48000 * 3 / 1e6
    assert files - 0.05 <= needed < files + KEPT_MB
    assert free == 1.2
    assert "Make room on the disk, or choose another place with --out" in line
    assert line.endswith("[disk-full]")
    assert tree(song.recipe.parent) == before


@contextmanager
def mounted(folder: Path, options: str) -> Iterator[bool]:
    """A file system of its own at `folder` while it lasts; False where this user may not mount one."""
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", options, "none", str(folder)]
    done = shutil.which("mount") is not None and subprocess.run(command, capture_output=True).returncode == 0
    try:
        yield done
    finally:
        if done:
            subprocess.run(["umount", str(folder)], check=True)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 1 MB, to be mounted as root only; elsewhere its place is taken by a limit of 400 kB a file."""
    import resource

    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    with mounted(tmp_path / "disk", "size=1m") as small:
        if not small:
            resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, limits[1]))
        try:
            yield tmp_path / "disk"
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)


@pytest.fixture
def no_place(tmp_path: Path) -> Iterator[Path]:
    """A folder that nobody may write into: on a read-only disk, or (not as root) by its mode."""
    folder = tmp_path / "no_place"
    with mounted(folder, "ro,size=1m") as read_only:
        if not read_only:
            folder.chmod(0o555)
        yield folder
    folder.chmod(0o755)


@pytest.mark.tools("posix")
def test_place_that_cannot_be_written_is_told_before_the_work(premix: Premix, song: Song, no_place: Path) -> None:
    """A read-only disk or folder, and a file where a folder should be: one line with the place and the reason."""
    before = tree(song.recipe.parent)
    for out in (no_place / "out", no_place / "deep" / "out", song.recipe / "out"):
        if os.access(out.parent, os.W_OK) and out.parent.is_dir():
            continue  # root on a system that does not let it mount: modes do not hold it back
        said = premix("render", song.recipe, song.tracks, "--out", out, "--no-report")
        assert said.code == 1
        (line,) = said.lines
        assert line.startswith(f"{out}: cannot be written (")
        assert line.endswith("[cannot-write]")
    assert tree(song.recipe.parent) == before
    assert list(no_place.iterdir()) == []


@pytest.mark.tools("posix")
def test_disk_that_fills_up_in_the_middle(
    premix: Premix, song: Song, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There was room when it was asked for, and then there was not: 1.4 MB of files on a real disk of 1 MB."""
    real = shutil.disk_usage
    answers = iter([real(small_disk)._replace(free=10**9)])
    monkeypatch.setattr(shutil, "disk_usage", lambda path: next(answers, None) or real(path))
    said = premix("render", song.recipe, song.tracks, "--out", small_disk / "out", "--no-report")
    assert said.code == 1
    (line,) = said.lines
    assert re.match(rf"{re.escape(str(small_disk))}/out/\S*Command_\w+\.wav: ", line)
    needed, free = figures(line)
    assert free > 0.5  # the half-written files are gone again
    assert 17.35 <= needed < 17.4 + KEPT_MB
    assert line.endswith("[disk-full]")
    assert list(small_disk.iterdir()) == []
