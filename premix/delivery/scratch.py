"""A run's scratch folder: gone when the run ends; after a kill, gone as soon as another run begins."""

import contextlib
import secrets
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from premix.audiofile.writer import disk_full
from premix.delivery.lock import Lock
from premix.errors import DeliveryError, Problem
from premix.messages.delivery import SLUGS

_PREFIX, _LOCK = "premix-run-", ".lock"


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """A new folder where the system keeps temporary files; what killed runs left there goes first.

    A folder belongs to a run as long as its lock is held, and the system drops the lock of a dead process.
    Raises DeliveryError where there is no room for one.
    """
    top = Path(tempfile.gettempdir())
    _sweep(top)
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
        where, slug = tempfile.gettempdir(), "scratch-full"
        raise DeliveryError(Problem(slug, where, f"{what} for temporary files", remedy=SLUGS[slug])) from None


def _claim(top: Path) -> tuple[Path, Lock]:
    """A free name and its lock, which is there before the folder: a folder without a holder is nobody's."""
    while True:
        folder = top / f"{_PREFIX}{secrets.token_hex(8)}"
        lock = Lock(_lock_of(folder))
        if lock.take():
            return folder, lock


def _sweep(top: Path) -> None:
    """Remove the folders of dead runs; those of other users, and of runs that cannot be told dead, stay."""
    for path in sorted(top.glob(f"{_PREFIX}*{_LOCK}")):
        lock = Lock(path)
        with contextlib.suppress(OSError):
            if lock.take():
                if lock.sure:
                    shutil.rmtree(path.with_suffix(""), ignore_errors=True)
                    lock.drop()
                else:
                    lock.release()


def _lock_of(folder: Path) -> Path:
    return folder.with_name(folder.name + _LOCK)
