"""What lies in an output folder, and whose it is: premix's own files by the manifest there, all others somebody's.

A file is known by its name and its stamp: size, time of the last change and inode. So a file that was saved over while
a run was at work is no longer the one that the run meant to replace.
"""

import json
import os
import stat
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from premix.delivery.documents import manifest_bytes
from premix.delivery.scratch import Lock
from premix.delivery.verify import SYSTEM_FILES

Stamp = tuple[int, ...]
Holdings = Mapping[str, Stamp]
"""Relative path of a file, with / between -> its stamp."""

HIDDEN = ".premix-"
"""How everything begins that a run keeps for itself in or beside an output folder."""
MOST_FILES = 3
"""So many files of a folder are named in a line."""


@dataclass(frozen=True, slots=True)
class EarlierRun:
    """What an earlier run says of the folder it wrote. kind: 'render' or 'comparison'. written: its files."""

    song: str
    kind: str
    written: frozenset[str]

    def in_words(self) -> str:
        count = len(self.written)
        return f"a {self.kind} of {self.song}, {count} file{'s' if count != 1 else ''}"


def earlier_run(folder: Path) -> EarlierRun | None:
    """What the manifest in a folder says; None where there is none of premix."""
    try:
        found = json.loads(manifest_bytes(folder))
        if "premix" not in found:
            return None
        return EarlierRun(str(found.get("song", "")), str(found.get("kind", "render")), frozenset(found["written"]))
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None


def holdings(folder: Path) -> dict[str, Stamp]:
    """All files below a folder that is there or not, links among them, and folders that cannot be looked into."""
    found: dict[str, Stamp] = {}

    def note(path: str) -> None:
        try:
            status = os.lstat(path)
        except FileNotFoundError:  # gone since
            return
        found[Path(path).relative_to(folder).as_posix()] = status.st_size, status.st_mtime_ns, status.st_ino

    def closed(error: OSError) -> None:
        if not isinstance(error, FileNotFoundError | NotADirectoryError) and error.filename != os.fspath(folder):
            note(error.filename)

    for top, folders, files in os.walk(folder, onerror=closed):
        links = [name for name in folders if os.path.islink(os.path.join(top, name))]  # noqa: PTH114, PTH118
        for name in (*files, *links):
            note(os.path.join(top, name))  # noqa: PTH118 (a walk's own strings)
    return found


def strangers(found: Holdings, known: Holdings | Iterable[str]) -> list[str]:
    """The files that are not known (or not by the same stamp); what file browsers leave is not counted."""
    stamps = known if isinstance(known, Mapping) else {name: found.get(name) for name in known}
    return sorted(
        name
        for name, stamp in found.items()
        if Path(name).name not in SYSTEM_FILES and (name not in stamps or stamps[name] != stamp)
    )


def busy_with(folder: Path, found: Holdings) -> Path | None:
    """A folder below or above this one that another run is writing at this moment; None: there is none."""
    below = [folder / name for name in found if Path(name).name.startswith(HIDDEN) and "lock" in Path(name).name]
    above = [
        lock
        for parent in folder.parents
        for lock in (parent.with_name(f"{HIDDEN}lock-{parent.name}") if parent.name else None, parent / f"{HIDDEN}lock")
        if lock is not None
    ]
    for path in (*below, *above):
        if _is_held(path):
            name = path.name.removeprefix(f"{HIDDEN}lock").removeprefix("-")
            return path.with_name(name) if name and not name.startswith(HIDDEN) else path.parent
    return None


def _is_held(path: Path) -> bool:
    """Whether a lock is there and somebody has it."""
    if not path.is_file():
        return False
    lock = Lock(path)
    try:
        if lock.take():
            lock.release()
            return False
    except OSError:
        return False  # of another user, who keeps it from us: then the folder cannot be written either
    return True


def protected(folder: Path) -> Path | None:
    """The folder itself, or one below it, that is write-protected; None: all may be changed.

    Who may do everything is kept from it, too, where no one has the right to write.
    """
    if sys.platform == "win32":
        return None
    for top, _, _ in os.walk(folder):
        mode = Path(top).stat().st_mode
        if not mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH) or not may_write(Path(top)):
            return Path(top)
    return None


def may_write(folder: Path) -> bool:
    """Whether this process may put files into a folder."""
    return os.access(folder, os.W_OK | os.X_OK, effective_ids=os.access in os.supports_effective_ids)


def adopt(old: Path, new: Path) -> None:
    """Give the folders and files of `new` the mode and the group that those of `old` with the same names have."""
    if sys.platform == "win32":
        return
    for top, _, files in os.walk(old):
        for path in (Path(top), *(Path(top) / name for name in files)):
            twin = new / path.relative_to(old)
            if path.is_symlink() or twin.is_symlink() or not twin.exists() or path.is_dir() != twin.is_dir():
                continue
            was, now = path.stat(), twin.stat()
            try:
                if was.st_gid != now.st_gid:
                    os.chown(twin, -1, was.st_gid)
                if stat.S_IMODE(was.st_mode) != stat.S_IMODE(twin.stat().st_mode):  # a change of group takes bits away
                    twin.chmod(stat.S_IMODE(was.st_mode))
            except OSError:
                continue  # a group one is not in: as the system makes files
