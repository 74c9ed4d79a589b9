"""An output folder that cannot be exchanged as a whole: a mount point, or one in a folder that nobody may write into.

Its files change places inside of it, whole or not at all: a journal says what is about to move, and the next run undoes
what a killed one began. Until then the folder has no manifest, so that nobody takes it for a finished render.
"""

import json
import os
import sys
from collections.abc import Collection, Iterable
from contextlib import suppress
from pathlib import Path

from premix.delivery.documents import MANIFEST
from premix.delivery.holdings import HIDDEN, holdings, may_write
from premix.delivery.whole import remove, sync

NEW, OLD, JOURNAL, LOCK = (f"{HIDDEN}{what}" for what in ("new", "old", "journal", "lock"))


def is_fixed(out: Path) -> bool:
    """Whether an existing folder cannot be exchanged for another: something is mounted there, or its parent is not
    writable."""
    return out.is_dir() and (_is_mounted(out) or (sys.platform != "win32" and not may_write(out.parent)))


def _is_mounted(folder: Path) -> bool:
    """Whether a file system begins here; of a folder mounted a second time only the kernel's table knows (proc(5))."""
    if os.path.ismount(folder):
        return True
    try:
        lines = Path("/proc/self/mountinfo").read_bytes().splitlines()
    except OSError:
        return False
    places = {line.split()[4].decode("unicode_escape") for line in lines}
    return os.fsencode(folder).decode("latin-1") in places


def own_part(files: Iterable[str]) -> list[str]:
    """Of the files in the folder those that are not the means of a run at work."""
    means = {NEW, OLD, JOURNAL, LOCK, _part(Path(JOURNAL)).name}
    return [name for name in files if name.split("/")[0] not in means]


def replace_inside(out: Path, old: Collection[str]) -> None:
    """Put the files of out/NEW in the place of the old ones, and remove those. OSError: everything is as it was."""
    new = sorted(holdings(out / NEW))
    journal = out / JOURNAL
    _write(journal, {"old": sorted(old), "new": new})
    try:
        for name in sorted(old, key=lambda name: name != MANIFEST):  # first of all, the folder is no render any more
            _move(out / name, out / OLD / name)
        for name in sorted(new, key=lambda name: name == MANIFEST):
            _move(out / NEW / name, out / name)
        _drop_empty(out, {Path(name).parent for name in old})
        sync(out)
    except OSError:
        undo_inside(out)
        raise
    journal.unlink()
    sync(out)
    remove(out / OLD)
    remove(out / NEW)


def undo_inside(out: Path) -> None:
    """Put back what a run had begun to move, and clear away what it left."""
    journal = out / JOURNAL
    with suppress(OSError, ValueError, KeyError, TypeError):
        moved = json.loads(journal.read_text("utf-8", "surrogateescape"))
        if any(Path(name).is_absolute() or ".." in Path(name).parts for name in (*moved["new"], *moved["old"])):
            raise ValueError("this journal is of nobody here")
        for name in moved["new"]:
            if not os.path.lexists(out / NEW / name) and os.path.lexists(out / name):
                _move(out / name, out / NEW / name)
        for name in sorted(moved["old"], key=lambda name: name == MANIFEST):
            if os.path.lexists(out / OLD / name):
                _move(out / OLD / name, out / name)
        _drop_empty(out, {Path(name).parent for name in moved["new"]})
        sync(out)
        journal.unlink()
    _part(journal).unlink(missing_ok=True)
    if not journal.exists():
        remove(out / OLD)
        remove(out / NEW)


def _write(path: Path, data: object) -> None:
    part = _part(path)
    part.write_text(json.dumps(data, ensure_ascii=False), "utf-8", "surrogateescape", newline="\n")
    sync(part)
    part.replace(path)
    sync(path.parent)


def _part(path: Path) -> Path:
    return path.with_name(f"{path.name}.part")


def _move(one: Path, other: Path) -> None:
    other.parent.mkdir(parents=True, exist_ok=True)
    one.rename(other)


def _drop_empty(out: Path, folders: Iterable[Path]) -> None:
    """Remove those folders that hold nothing any more, and theirs above."""
    above = {parent for one in folders for parent in (one, *one.parents)} - {Path()}
    for folder in sorted(above, key=lambda folder: -len(folder.parts)):
        with suppress(OSError):
            (out / folder).rmdir()
