"""What a run holds for itself and leaves behind in no case: locks, and its folder for temporary files.

The system drops a lock when its process ends, however. So a folder whose lock can be had is of a dead run: one that
was killed is cleared away as soon as another run begins.
"""

import contextlib
import os
import secrets
import shutil
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from premix.audio.writer import disk_full
from premix.errors import DeliveryError, Problem
from premix.processors.plug_in_process import sweep_work_folders


class Lock:
    """An exclusive lock on a file, held by one process at a time."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._handle: int | None = None
        self.sure = False
        """Whether nobody else can hold it: False where the file system knows no locks."""

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


_PREFIX, _LOCK = "premix-run-", ".lock"


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """A new folder where the system keeps temporary files; what killed runs left there goes first.

    Raises DeliveryError where there is no room for one.
    """
    top = Path(_temporary())
    _sweep(top)
    sweep_work_folders(top)
    with scratch_room():
        folder, lock = _claim(top)
    try:
        with scratch_room():
            folder.mkdir()
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        lock.drop()


@contextmanager
def scratch_room() -> Iterator[None]:
    """A context for writing there: a disk that gets full is told with the place and how to choose another."""
    try:
        yield
    except OSError as error:
        if not (what := disk_full(error)):
            raise
        problem = Problem("scratch-full", _temporary(), f"{what} for temporary files")
        raise DeliveryError(problem) from None


def _temporary() -> str:
    """Where the system keeps temporary files. DeliveryError where it has no such place."""
    try:
        return tempfile.gettempdir()
    except FileNotFoundError as error:
        what = f"no folder for temporary files can be written ({error.strerror or error})"
        raise DeliveryError(Problem("scratch-none", "temporary files", what)) from None


def _claim(top: Path) -> tuple[Path, Lock]:
    """A free name and its lock, which is there before the folder: a folder without a holder is nobody's."""
    while True:
        folder = top / f"{_PREFIX}{secrets.token_hex(8)}"
        lock = Lock(folder.with_name(folder.name + _LOCK))
        if lock.take():
            return folder, lock


def _sweep(top: Path) -> None:
    """Remove the folders of dead runs; those of other users, and of runs that cannot be told dead, stay."""
    for folder in top.glob(f"{_PREFIX}{'[0-9a-f]' * 16}"):  # without its lock: a dead run's, whose lock was removed
        with contextlib.suppress(OSError):
            mine = sys.platform == "win32" or folder.stat().st_uid == os.geteuid()
            if mine and not folder.with_name(folder.name + _LOCK).exists():
                shutil.rmtree(folder, ignore_errors=True)
    for path in sorted(top.glob(f"{_PREFIX}*{_LOCK}")):
        lock = Lock(path)
        with contextlib.suppress(OSError):
            if lock.take():
                if lock.sure:
                    shutil.rmtree(path.with_suffix(""), ignore_errors=True)
                    lock.drop()
                else:
                    lock.release()
