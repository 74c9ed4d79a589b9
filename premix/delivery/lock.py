"""One run at a time in one folder: a lock that the system drops when its process ends, however."""

import contextlib
import os
import sys
from pathlib import Path


class Lock:
    """An exclusive lock on a file; `taken` says whether this process holds it."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._handle: int | None = None
        self.sure = False
        """Whether nobody else can hold it: False where the file system knows no locks."""

    @property
    def taken(self) -> bool:
        return self._handle is not None

    def take(self) -> bool:
        """Try to get the lock, without waiting. OSError where the file cannot be made."""
        while True:
            handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
            locked = _lock(handle)
            if locked is False:
                os.close(handle)
                return False
            if self._is_current(handle):
                self._handle, self.sure = handle, locked is True
                return True
            os.close(handle)  # its holder removed the file between our opening and locking it: once more

    def drop(self) -> None:
        """Give the lock back and remove its file."""
        if self._handle is None:
            return
        if sys.platform != "win32":
            self._path.unlink(missing_ok=True)
        self.release()
        if sys.platform == "win32":
            with contextlib.suppress(OSError):
                self._path.unlink()

    def release(self) -> None:
        """Give the lock back and leave its file."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None

    def _is_current(self, handle: int) -> bool:
        try:
            return os.path.samestat(os.fstat(handle), self._path.stat())
        except FileNotFoundError:
            return False


def _lock(handle: int) -> bool | None:
    """Whether the lock was got; None where the file system knows no locks: better without than not at all."""
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
        return None
    return True
