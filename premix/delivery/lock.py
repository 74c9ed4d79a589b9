"""One run at a time in one output folder: a lock that the system drops when its process ends, however."""

import contextlib
import os
import sys
from pathlib import Path


class Lock:
    """An exclusive lock on a file; `taken` says whether this process holds it."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._handle: int | None = None

    @property
    def taken(self) -> bool:
        return self._handle is not None

    def take(self) -> bool:
        """Try to get the lock, without waiting. OSError where the file cannot be made."""
        while True:
            handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
            if not _lock(handle):
                os.close(handle)
                return False
            if self._is_current(handle):
                self._handle = handle
                return True
            os.close(handle)  # its holder removed the file between our opening and locking it: once more

    def drop(self) -> None:
        """Give the lock back and remove its file."""
        if self._handle is None:
            return
        if sys.platform != "win32":
            self._path.unlink(missing_ok=True)
        os.close(self._handle)
        self._handle = None
        if sys.platform == "win32":
            with contextlib.suppress(OSError):
                self._path.unlink()

    def _is_current(self, handle: int) -> bool:
        try:
            return os.path.samestat(os.fstat(handle), self._path.stat())
        except FileNotFoundError:
            return False


def _lock(handle: int) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    except OSError:
        return True  # the file system knows no locks: better without than not at all
    return True
