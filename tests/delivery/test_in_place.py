"""OUT where it is: a mount point, a folder whose parent nobody may write, write protection, modes and groups."""

import json
import os
import shutil
import stat
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from premix.delivery import in_place
from premix.delivery import whole as swap
from premix.delivery.holdings import holdings
from premix.delivery.in_place import JOURNAL, NEW, OLD, is_fixed, replace_inside, undo_inside
from premix.delivery.package import Package
from premix.delivery.verify import sums_name
from premix.errors import DeliveryError
from tests.delivery.conftest import SMALL
from tests.rigs.killed import KilledError, dying_at

pytestmark = pytest.mark.tools("posix")


def mounted(folder: Path) -> bool:
    """Whether a disk of its own could be put at the folder."""
    command = ["mount", "-t", "tmpfs", "-o", "size=4m", "none", str(folder)]
    return shutil.which("mount") is not None and subprocess.run(command, capture_output=True).returncode == 0


@pytest.fixture(params=["mount", "bind", "parent"])
def fixed(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A folder that cannot be exchanged: a mount point, one mounted a second time, or one in a folder that is not
    writable. Where nothing may be mounted, all three are the last."""
    top = Path(tempfile.mkdtemp(prefix="premix-test-"))
    out = top / "volume with a blank"
    out.mkdir()
    done = False
    if request.param == "mount":
        done = mounted(out)
    elif request.param == "bind":
        (top / "source").mkdir()
        done = subprocess.run(["mount", "--bind", str(top / "source"), str(out)], capture_output=True).returncode == 0
    root = os.geteuid() == 0
    if not done:
        out.chmod(0o777)
        top.chmod(0o555)
        if root:  # who may always write becomes nobody for a while
            os.seteuid(65534)
    try:
        yield out
    finally:
        if done:
            subprocess.run(["umount", str(out)], check=True)
        elif root:
            os.seteuid(0)
        top.chmod(0o755)
        shutil.rmtree(top)


def deliver(out: Path, text: str, *, force: bool = False, meanwhile: Callable[[], object] = lambda: None) -> None:
    """A run that writes two files, one only it has, and a manifest."""
    with Package(out, inputs_folder=Path("/nowhere"), force=force) as package:
        (package.folder / "stems").mkdir()
        (package.folder / "stems" / "a.wav").write_text(text)
        (package.folder / f"{text}.csv").write_text(text)
        meanwhile()
        package.commit(SMALL)


def files(folder: Path) -> dict[str, str]:
    """What lies there, without the checksums, and without the manifest's text, which names the files."""
    found = {p.relative_to(folder).as_posix(): p.read_text() for p in folder.rglob("*") if p.is_file()}
    sums = [name for name in found if name.split("/")[-1] == sums_name(SMALL.song)]
    if "manifest.json" in found:
        assert set(json.loads(found["manifest.json"])["written"]) <= set(found)
        found["manifest.json"] = ""
    return {name: text for name, text in found.items() if name not in sums}


def render(text: str) -> dict[str, str]:
    return {"stems/a.wav": text, f"{text}.csv": text, "manifest.json": ""}


def test_a_folder_that_cannot_be_exchanged_is_filled_and_replaced_inside(fixed: Path) -> None:
    """The first run fills it, the second leaves nothing of the first; the folder above stays as it was."""
    assert is_fixed(fixed)
    above = sorted(fixed.parent.iterdir())
    deliver(fixed, "old")
    assert files(fixed) == render("old")
    deliver(fixed, "new")
    assert files(fixed) == render("new")
    assert sorted(fixed.parent.iterdir()) == above


def test_a_failed_run_leaves_it_as_it_was(fixed: Path) -> None:
    """Whatever stops it before the end."""
    deliver(fixed, "old")

    def stop() -> None:
        raise KilledError

    with pytest.raises(KilledError):
        deliver(fixed, "new", meanwhile=stop)
    assert files(fixed) == render("old")


def test_what_others_put_there_stays(fixed: Path) -> None:
    """Before the run: refused. During it: refused as well, and all is as it was."""
    deliver(fixed, "old")
    with pytest.raises(DeliveryError, match=r"mix\.session.*out-changed"):
        deliver(fixed, "new", meanwhile=lambda: (fixed / "mix.session").write_text("mine"))
    assert files(fixed) == {**render("old"), "mix.session": "mine"}
    with pytest.raises(DeliveryError, match=r"mix\.session.*out-has-other-files"):
        deliver(fixed, "new")
    deliver(fixed, "new", force=True)
    assert files(fixed) == render("new")


def test_two_runs_never_share_it(fixed: Path) -> None:
    """The second is told."""
    with pytest.raises(DeliveryError, match="out-in-use"):
        deliver(fixed, "first", meanwhile=lambda: deliver(fixed, "second"))
    assert files(fixed) == {}


@pytest.mark.parametrize("first_run", [True, False])
def test_kill_between_any_two_steps_is_undone_by_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, first_run: bool
) -> None:
    """Every system call of the replacement is the last one in turn. Until the next run has undone it, the folder has
    the manifest of the old render with all of its files, that of the new one with all of its, or none."""
    monkeypatch.setattr("premix.delivery.package.is_fixed", lambda out: True)
    cut, ends, finished = 0, set[str](), False
    while not finished:
        cut += 1
        out = tmp_path / str(cut) / "out"
        out.mkdir(parents=True)
        if not first_run:
            deliver(out, "old")
        old = list(holdings(out))
        (tmp_path / "new").mkdir(exist_ok=True)
        deliver(tmp_path / "new", "new")
        shutil.copytree(tmp_path / "new", out / NEW)
        with monkeypatch.context() as patch:
            finished = not killed_at(patch, cut, out, old)
        left = {name: text for name, text in files(out).items() if not name.startswith(".premix-")}
        if "manifest.json" in left:
            assert left in (render("old"), render("new"))
        undo_inside(out)
        assert files(out) in (render("new"), {} if first_run else render("old"))
        ends.add("new" if "new.csv" in files(out) else "old")
        assert not list(out.glob(".premix-*"))
    assert cut > 10 and ends == {"old", "new"}


def killed_at(patch: pytest.MonkeyPatch, cut: int, out: Path, old: list[str]) -> bool:
    """Replace, killed before its cut-th step; False where it has fewer steps."""
    dying = dying_at(cut)
    for name in ("rename", "replace", "unlink", "rmdir", "mkdir"):
        patch.setattr(Path, name, dying(getattr(Path, name)))
    for name in ("unlink", "rmdir"):  # a tree is removed with these
        patch.setattr(os, name, dying(getattr(os, name)))
    patch.setattr(in_place, "sync", dying(swap.sync))
    try:
        replace_inside(out, old)
    except KilledError:
        return True
    return False


def test_a_journal_of_somebody_else_moves_nothing_outside(tmp_path: Path) -> None:
    """Names in it that lead out of the folder are not followed."""
    out = tmp_path / "out"
    (out / OLD).mkdir(parents=True)
    (tmp_path / "mine").write_text("mine")
    (out / JOURNAL).write_text(json.dumps({"old": [], "new": ["../mine"]}))
    undo_inside(out)
    assert (tmp_path / "mine").read_text() == "mine"
    assert not (out / NEW).exists()


@pytest.mark.parametrize("inside", [False, True], ids=["exchanged", "in place"])
def test_mode_group_and_setgid_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, inside: bool) -> None:
    """A folder that a studio's group shares; the same for folders and files in it that are there again."""
    if inside:
        monkeypatch.setattr("premix.delivery.package.is_fixed", lambda out: True)
    out = tmp_path / "out"
    out.mkdir()
    group = 12345 if os.geteuid() == 0 else os.getgid()
    os.chown(out, -1, group)
    out.chmod(0o2770)
    deliver(out, "same")
    (out / "same.csv").chmod(0o640)
    (out / "stems").chmod(0o2750)
    deliver(out, "same")
    for path, mode in ((out, 0o2770), (out / "stems", 0o2750), (out / "same.csv", 0o640)):
        assert (stat.S_IMODE(path.stat().st_mode), path.stat().st_gid) == (mode, group), path
    assert (out / "stems" / "a.wav").stat().st_gid == group


@pytest.mark.parametrize("which", ["", "stems"])
@pytest.mark.parametrize("force", [False, True])
def test_a_write_protected_folder_is_left_alone(tmp_path: Path, which: str, force: bool) -> None:
    """Somebody has said that these files are final, also to those who may do everything."""
    out = tmp_path / "out"
    deliver(out, "old")
    (out / which).chmod(0o555)
    with pytest.raises(DeliveryError, match=r"write-protected.*cannot-write"):
        deliver(out, "new", force=force)
    assert files(out) == render("old")
    assert [p.name for p in tmp_path.iterdir()] == ["out"]
    (out / which).chmod(0o755)
