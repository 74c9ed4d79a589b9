"""Folders and text files that appear whole or not at all, also where the process is killed in the middle."""

import contextlib
import ctypes
import os
import shutil
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from premix.audio.writer import storage_error
from premix.errors import DeliveryError, Problem


def replace_folder(new: Path, target: Path, old: Path, accept: Callable[[Path], None] = lambda _: None) -> None:
    """Put `new` in the place of `target`, and remove what was there; all three beside each other.

    accept: called with what was there, once it is out of the way and nobody can save anything into it by its name any
    more; what it raises is raised when everything is as it was before. Where the system can exchange two names
    (Linux), there is no moment without a whole `target`. Elsewhere the old folder is called `old` for a moment, and
    `mend` puts it back after a kill in that moment.
    """
    if not os.path.lexists(target):
        new.rename(target)
        sync(target.parent)
        return
    if exchanged := _exchange(new, target):
        old = new
    else:
        target.rename(old)
        try:
            new.rename(target)
        except OSError:
            old.rename(target)
            raise
    try:
        accept(old)
    except BaseException:
        if not (exchanged and _exchange(target, old)):
            target.rename(new)
            old.rename(target)
        raise
    sync(target.parent)
    remove(old)


def mend(new: Path, target: Path, old: Path, spare: Callable[[Path], None] = lambda _: None) -> None:
    """Undo what a killed run left: an old folder without its name gets it back, unfinished ones go.

    spare: called with each that is about to go; it may take it away.
    """
    if old.exists() and not target.exists():
        old.rename(target)
    for leftover in (new, old):
        if leftover.exists():
            spare(leftover)
            remove(leftover)


def remove(folder: Path) -> None:
    """Remove a folder of files that are known to be ours or given up, its manifest last: until then it says so."""
    for path in sorted(folder.glob("*"), key=lambda path: path.name == "manifest.json"):
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            with contextlib.suppress(OSError):
                path.unlink()
    shutil.rmtree(folder, ignore_errors=True)


def sync_tree(folder: Path) -> None:
    """Have all files and folders below reach the disk."""
    for path in sorted(folder.rglob("*")):
        sync(path)
    sync(folder)


def sync(path: Path) -> None:
    """Have one file or folder reach the disk, where the system can do that."""
    folder = path.is_dir()
    if folder and sys.platform == "win32":
        return
    handle = os.open(path, os.O_RDONLY if folder else os.O_RDWR)
    try:
        with contextlib.suppress(OSError) if folder else contextlib.nullcontext():
            os.fsync(handle)
    finally:
        os.close(handle)


def _exchange(one: Path, other: Path) -> bool:
    """Exchange two names in one step: renameat2(2) with RENAME_EXCHANGE; False where it cannot be done."""
    if not sys.platform.startswith("linux"):
        return False
    here, exchange = -100, 2  # AT_FDCWD, RENAME_EXCHANGE of linux/fs.h
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (OSError, AttributeError):
        return False
    return bool(call(here, os.fsencode(one), here, os.fsencode(other), exchange) == 0)


def write_text_file(path: Path, text: str, mark: str = "") -> None:
    """Write a text file that is whole or not there. mark: as `check_ours` takes it.

    Raises DeliveryError where the place cannot be written or holds something else.
    """
    write_text_files([(path, text)], mark)


def write_text_files(files: Sequence[tuple[Path, str]], mark: str = "") -> None:
    """Write several text files, once all can be written; each as `write_text_file` does.

    Raises DeliveryError with every place that holds something else, or the first that cannot be written.
    """
    check_ours([path for path, _ in files], mark)
    parts = [path.with_name(f".{path.name}.part") for path, _ in files]
    at = files[0][0]
    try:
        for part, (path, text) in zip(parts, files, strict=True):
            at = path
            part.write_text(text, "utf-8", "backslashreplace", newline="\n")
        for part, (path, _) in zip(parts, files, strict=True):
            at = path
            part.replace(path)
    except OSError as error:
        for part in parts:
            with contextlib.suppress(OSError):
                part.unlink(missing_ok=True)
        raise storage_error(at, error) from None


def check_ours(paths: Sequence[Path], mark: str = "") -> None:
    """Raise DeliveryError for every place of a text file where something else is than may be replaced.

    That is a file that is empty or begins with the mark; a folder, a pipe or a device never.
    """
    allowed = "a new name, or a file that premix wrote"
    foreign = [path for path in paths if os.path.lexists(path) and not _may_go(path, mark)]
    if foreign:
        raise DeliveryError(Problem("save-exists", str(path), "something else is there", allowed) for path in foreign)


def _may_go(path: Path, mark: str) -> bool:
    return path.is_file() and (not mark or path.stat().st_size == 0 or is_ours(path, mark))


def is_ours(path: Path, mark: str) -> bool:
    """Whether a file begins with the mark of those that premix wrote."""
    try:
        with path.open("rb") as file:
            return file.read(len(mark.encode())) == mark.encode()
    except OSError:
        return False
