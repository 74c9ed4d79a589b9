"""The output folder: what may be replaced, what never is, and one run at a time."""

import os
import shutil
import subprocess
import sys
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from premix.delivery import scratch as lock
from premix.delivery import whole as swap
from premix.delivery.documents import json_text
from premix.delivery.package import Package
from premix.delivery.scratch import Lock
from premix.errors import DeliveryError
from premix.messages import REMEDIES
from tests.delivery.conftest import SMALL

SUMS = "Tidewater_checksums.sha256"


@pytest.fixture
def tracks(tmp_path: Path) -> Path:
    """A tracks folder with one file."""
    folder = tmp_path / "tracks"
    folder.mkdir()
    (folder / "left.wav").write_text("recorded")
    return folder


def deliver(out: Path, tracks: Path, text: str = "new", force: bool = False) -> None:
    """A run that writes two files and a manifest."""
    with Package(out, inputs_folder=tracks, force=force) as package:
        (package.folder / "stems").mkdir()
        (package.folder / "stems" / "a.wav").write_text(text)
        (package.folder / "sheet.csv").write_text(text)
        package.commit(SMALL)


def listing(folder: Path) -> dict[str, str]:
    """All files below a folder with their contents."""
    files = [p for p in folder.rglob("*") if p.is_file()]
    return {p.relative_to(folder).as_posix(): p.read_text(errors="replace") for p in files}


def refused(out: Path, tracks: Path, force: bool = False) -> str:
    """The slug of the refusal; nothing may have changed by it."""
    top = tracks.parent
    before = listing(top)
    with pytest.raises(DeliveryError) as caught:
        deliver(out, tracks, force=force)
    assert listing(top) == before
    (problem,) = caught.value.problems
    assert problem.slug in REMEDIES
    assert problem.where == str(out)
    return problem.slug


def test_new_folder_appears_whole(tmp_path: Path, tracks: Path) -> None:
    """With parents made, nothing left beside it, and its own files noted in the manifest."""
    out = tmp_path / "deep" / "out"
    deliver(out, tracks)
    assert sorted(listing(out)) == [SUMS, "manifest.json", "sheet.csv", "stems/a.wav"]
    noted = replace(SMALL, written=(SUMS, "manifest.json", "sheet.csv", "stems/a.wav"))
    assert (out / "manifest.json").read_text("utf-8") == json_text(noted) + "\n"
    assert [p.name for p in out.parent.iterdir()] == ["out"]


def test_own_folder_is_replaced(tmp_path: Path, tracks: Path) -> None:
    """A second run; files that only the first wrote are gone."""
    deliver(tmp_path / "out", tracks, "old")
    with Package(tmp_path / "out", inputs_folder=tracks) as package:
        (package.folder / "b.wav").write_text("b")
        package.commit(SMALL)
    assert sorted(listing(tmp_path / "out")) == [SUMS, "b.wav", "manifest.json"]


def test_nothing_changes_before_the_commit(tmp_path: Path, tracks: Path) -> None:
    """The old outputs can be heard while the new are made."""
    deliver(tmp_path / "out", tracks, "old")
    with Package(tmp_path / "out", inputs_folder=tracks) as package:
        (package.folder / "a.wav").write_text("new")
        assert listing(tmp_path / "out")["sheet.csv"] == "old"
    assert listing(tmp_path / "out")["sheet.csv"] == "old"


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
def test_failed_run_leaves_no_trace(tmp_path: Path, tracks: Path, error: type[BaseException]) -> None:
    """A bug or Ctrl-C in the middle."""
    before = sorted(p.name for p in tmp_path.iterdir())
    with pytest.raises(error), Package(tmp_path / "deep" / "down" / "out", inputs_folder=tracks) as package:
        (package.folder / "a.wav").write_text("half")
        raise error
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_empty_folder_is_filled(tmp_path: Path, tracks: Path) -> None:
    """One that the user made for it; what a file browser left in it does not count."""
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / ".DS_Store").write_text("browser")
    deliver(tmp_path / "out", tracks)
    assert "sheet.csv" in listing(tmp_path / "out")


def test_folder_of_others_is_refused_unless_forced(tmp_path: Path, tracks: Path) -> None:
    """Not made by premix: its contents are someone's work."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "mixdown.txt").write_text("weeks of work")
    assert refused(out, tracks) == "out-exists"
    deliver(out, tracks, force=True)
    assert sorted(listing(out)) == [SUMS, "manifest.json", "sheet.csv", "stems/a.wav"]


@pytest.mark.parametrize("text", ["", "[]", "null", '{"name": "a web app"}', '{"premix": "0.1.0"}', "\udcff"])
def test_foreign_or_broken_manifest_is_not_ours(tmp_path: Path, tracks: Path, text: str) -> None:
    """manifest.json is a common name."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "manifest.json").write_bytes(text.encode("utf-8", "surrogateescape"))
    assert refused(out, tracks) == "out-exists"


def test_file_added_by_the_user_is_never_removed(tmp_path: Path, tracks: Path) -> None:
    """A session saved next to the stems survives the next render, and is named."""
    out = tmp_path / "out"
    deliver(out, tracks, "old")
    (out / "stems" / "mix.session").write_text("weeks of work")
    assert refused(out, tracks) == "out-has-other-files"
    with pytest.raises(DeliveryError, match=r"stems/mix\.session"):
        deliver(out, tracks)
    (out / "stems" / "mix.session").unlink()
    deliver(out, tracks)


def test_file_in_the_way_is_refused(tmp_path: Path, tracks: Path) -> None:
    """Even with force: a file is no output folder."""
    (tmp_path / "out").write_text("a file")
    assert refused(tmp_path / "out", tracks, force=True) == "out-exists"


@pytest.mark.parametrize("where", ["tracks", "tracks/out", "tracks/deep/out", ".", "tracks/../tracks/out"])
@pytest.mark.parametrize("force", [False, True])
def test_tracks_are_never_touched(tmp_path: Path, tracks: Path, where: str, force: bool) -> None:
    """OUT equal to, inside or around the tracks folder."""
    assert refused(tmp_path / where, tracks, force) == "out-in-tracks"


def test_tracks_are_never_touched_through_a_link(tmp_path: Path, tracks: Path) -> None:
    """A symbolic link into the tracks folder is the tracks folder."""
    (tmp_path / "link").symlink_to(tracks)
    assert refused(tmp_path / "link" / "out", tracks) == "out-in-tracks"
    assert refused(tmp_path / "link", tracks, force=True) == "out-in-tracks"


def test_folder_one_stands_in_is_refused(tmp_path: Path, tracks: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Replacing it would pull the shell's own folder away."""
    (tmp_path / "out" / "sub").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / "out" / "sub")
    assert refused(tmp_path / "out", tracks) == "out-is-here"


def test_link_to_an_output_folder_stays_a_link(tmp_path: Path, tracks: Path) -> None:
    """What it points to is replaced."""
    deliver(tmp_path / "real", tracks, "old")
    (tmp_path / "out").symlink_to(tmp_path / "real")
    deliver(tmp_path / "out", tracks)
    assert (tmp_path / "out").is_symlink()
    assert listing(tmp_path / "real")["sheet.csv"] == "new"


def test_second_run_to_the_same_folder_is_refused(tmp_path: Path, tracks: Path) -> None:
    """While the first is at work, and only then; another folder is free."""
    out = tmp_path / "out"
    with Package(out, inputs_folder=tracks) as first:
        (first.folder / "a.wav").write_text("first")
        with pytest.raises(DeliveryError, match="out-in-use"):
            deliver(out, tracks)
        deliver(tmp_path / "other", tracks)
        assert (first.folder / "a.wav").read_text() == "first"
        first.commit(SMALL)
    assert listing(out)["a.wav"] == "first"
    deliver(out, tracks)


def test_lock_of_a_dead_run_is_no_lock(tmp_path: Path, tracks: Path) -> None:
    """Its file may be left; the system has dropped the lock."""
    (tmp_path / ".premix-lock-out").touch()
    deliver(tmp_path / "out", tracks)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out", "tracks"]


def test_lock_is_held_by_one_at_a_time(tmp_path: Path) -> None:
    """And its file is gone at the end."""
    path = tmp_path / "lock"
    first, second = Lock(path), Lock(path)
    assert first.take()
    assert not second.take()
    first.drop()
    assert second.take()
    second.drop()
    assert not path.exists()


def test_lock_on_a_file_that_its_holder_just_removed_is_no_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Opened while held, locked after the holder has removed it: a lock on a file that nobody else can see."""
    path = tmp_path / "lock"
    first, second, third = Lock(path), Lock(path), Lock(path)
    assert first.take()
    real = lock._lock

    def late(handle: int) -> bool | None:
        first.drop()
        return real(handle)

    monkeypatch.setattr(lock, "_lock", late)
    assert second.take()
    assert not third.take()
    second.drop()


def test_leftovers_of_killed_runs_go_and_a_lost_name_comes_back(tmp_path: Path, tracks: Path) -> None:
    """Killed while writing, and killed between two renames: the next run puts it right, even when it fails."""
    deliver(tmp_path / "out", tracks, "old")
    (tmp_path / "out").rename(tmp_path / ".premix-old-out")
    (tmp_path / ".premix-new-out").mkdir()
    (tmp_path / ".premix-new-out" / "half.wav").write_text("half")
    with Package(tmp_path / "out", inputs_folder=tracks):
        assert listing(tmp_path / "out")["sheet.csv"] == "old"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out", "tracks"]


def test_need_compares_with_the_free_space(tmp_path: Path, tracks: Path) -> None:
    """Before hours of rendering, not after."""
    free = os.statvfs(tmp_path).f_bavail * os.statvfs(tmp_path).f_frsize
    with Package(tmp_path / "out", inputs_folder=tracks) as package:
        package.need(1000)
        with pytest.raises(DeliveryError, match="disk-full"):
            package.need(free * 2)


def test_file_that_arrives_at_the_last_moment_stays(
    tmp_path: Path, tracks: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After the last look at the folder, just before it gets out of the way: it is put back, with the file."""
    out = tmp_path / "out"
    deliver(out, tracks, "old")
    before, real = listing(out), swap.replace_folder

    def late(*args: Any) -> None:
        (out / "mix.session").write_text("weeks of work")
        real(*args)

    for exchange in (swap._exchange, lambda one, other: False):
        monkeypatch.setattr("premix.delivery.package.replace_folder", late)
        monkeypatch.setattr(swap, "_exchange", exchange)
        with pytest.raises(DeliveryError, match=r"mix\.session.*out-changed"):
            deliver(out, tracks)
        assert listing(out) == before | {"mix.session": "weeks of work"}
        assert sorted(p.name for p in tmp_path.iterdir()) == ["out", "tracks"]
        (out / "mix.session").unlink()


def test_folder_that_appears_at_the_last_moment_stays(tmp_path: Path, tracks: Path) -> None:
    """OUT was not there at the start, also with force; and a file in its place is no folder to be replaced."""
    out = tmp_path / "out"

    def folder() -> None:
        (out / "a").mkdir(parents=True)
        (out / "a" / "b").write_text("b")

    for made in (folder, partial(out.write_text, "b")):
        with (
            pytest.raises(DeliveryError, match=r"out-changed|out-exists"),
            Package(out, inputs_folder=tracks, force=True) as package,
        ):
            made()
            package.commit(SMALL)
        assert (out if out.is_file() else out / "a" / "b").read_text() == "b"
        shutil.rmtree(out) if out.is_dir() else out.unlink()


KILLED = """
import os, sys
from pathlib import Path
from premix.delivery import whole
from premix.delivery.package import Package
from tests.delivery.conftest import SMALL
out, tracks, late = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
whole.remove = lambda folder: os._exit(9)
Package._accept = lambda self, old: None
with Package(out, inputs_folder=tracks) as package:
    (package.folder / "sheet.csv").write_text("new")
    if late:
        (out / late).write_text("weeks of work")
    package.commit(SMALL)
"""
"""A run that is killed after the exchange, before it has looked at what it replaced."""


@pytest.mark.tools("posix")
@pytest.mark.parametrize("late", ["", "mix.session"])
def test_what_a_killed_run_replaced_goes_only_where_it_was_known(tmp_path: Path, tracks: Path, late: str) -> None:
    """The old render goes with the next run; a file in it that no one had seen is put where it is found, and named."""
    out = tmp_path / "out"
    deliver(out, tracks, "old")
    done = subprocess.run([sys.executable, "-c", KILLED, str(out), str(tracks), late], cwd=Path.cwd())
    assert done.returncode == 9
    assert listing(out)["sheet.csv"] == "new"
    if late:
        with pytest.raises(DeliveryError, match=r"out-kept \[|out-kept;.*\[out-kept\]"):
            deliver(out, tracks)
        assert (tmp_path / "out-kept" / late).read_text() == "weeks of work"
    deliver(out, tracks, "next")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out", *(["out-kept"] if late else []), "tracks"]
