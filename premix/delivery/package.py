"""The output folder: all of a run's files appear in it at once, or none do.

Files are written into a hidden folder beside it, which takes its name at the end.
"""

import contextlib
import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from premix.audio.writer import disk_full, storage_error
from premix.delivery.documents import MANIFEST, write_json
from premix.delivery.scratch import Lock
from premix.delivery.verify import files_below, sums_name, write_sums
from premix.delivery.whole import mend, replace_folder, sync_tree
from premix.errors import DeliveryError, Problem
from premix.model.manifest import ComparisonManifest, Manifest

M = TypeVar("M", Manifest, ComparisonManifest)

_ROOM_TO_SPARE = 16_000_000  # bytes for documents beside the samples


class Package:
    """A context manager around the making of one output folder.

    inputs_folder: the tracks, which must stay out of its way. force: replace also what premix did not write.
    Raises DeliveryError on entry where the folder may not be made or replaced, and where the disk gets full.
    folder: the one to write into until `commit`. Leaving the context without that leaves everything as it was.
    """

    def __init__(self, out: Path, *, inputs_folder: Path, force: bool = False) -> None:
        self.out = out.resolve()
        self._shown, self._inputs, self._force = out, inputs_folder.resolve(), force
        self.folder, self._old, lock = (
            self.out.with_name(f".premix-{what}-{self.out.name}") for what in ("new", "old", "lock")
        )
        self._lock = Lock(lock)
        self._made_parents: list[Path] = []
        self._needed = 0

    def __enter__(self) -> "Package":
        self._check_place()
        try:
            self._make_parents()
            if not self._lock.take():
                raise self._error("out-in-use", "another run is writing this folder")
            mend(self.folder, self.out, self._old)
            self._check_replaceable()
            self.folder.mkdir()
        except BaseException as error:
            self._leave()
            if isinstance(error, OSError):
                raise storage_error(self._shown, error) from None
            raise
        return self

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)
        told = self._told(error)
        self._leave()
        if told is not None:
            raise told from None

    def need(self, size: int) -> None:
        """Raise DeliveryError where the disk has no room for files of `size` bytes in all."""
        self._needed = size + _ROOM_TO_SPARE
        if self._needed > shutil.disk_usage(self.folder).free:
            raise self._error("disk-full", "the disk has too little room")

    def commit(self, manifest: M) -> M:
        """Write the manifest, which gets to know which files are premix's own, and put the folder in its place."""
        try:
            written = {*files_below(self.folder), MANIFEST, sums_name(manifest.song)}
            manifest = replace(manifest, written=tuple(sorted(written)))
            write_json(self.folder / MANIFEST, manifest)
            write_sums(self.folder, manifest.song, manifest.written)
            sync_tree(self.folder)
            replace_folder(self.folder, self.out, self._old)
        except OSError as error:
            raise storage_error(self._shown, error) from None
        return manifest

    def _told(self, error: BaseException | None) -> DeliveryError | None:
        """What went wrong with the disk, said of OUT and not of the hidden folder; None for any other error."""
        if isinstance(error, OSError) and disk_full(error):
            error = storage_error(self.folder, error)
        return DeliveryError(map(self._said_of_out, error.problems)) if isinstance(error, DeliveryError) else None

    def _said_of_out(self, problem: Problem) -> Problem:
        """The problem with a file's final place, and with the room there is and should be."""
        where = Path(problem.where)
        if where.is_relative_to(self.folder):
            problem = replace(problem, where=str(self._shown / where.relative_to(self.folder)))
        if problem.slug != "disk-full":
            return problem
        nearest = next(folder for folder in self.out.parents if folder.exists())
        free = _size(shutil.disk_usage(nearest).free)
        need = f"all files together need {_size(self._needed)}, {free} are free" if self._needed else f"{free} are free"
        return replace(problem, what=f"{problem.what}: {need}")

    def _make_parents(self) -> None:
        missing = [folder for folder in self.out.parents if not folder.exists()]
        for folder in reversed(missing):
            folder.mkdir(exist_ok=True)
            self._made_parents.insert(0, folder)

    def _leave(self) -> None:
        """Drop the lock and the folders that were made on the way, unless something is in them."""
        self._lock.drop()
        for folder in self._made_parents:
            with contextlib.suppress(OSError):
                folder.rmdir()

    def _check_place(self) -> None:
        out, inputs, here = self.out, self._inputs, Path.cwd()
        if out == inputs or out.is_relative_to(inputs) or inputs.is_relative_to(out):
            raise self._error("out-in-tracks", "the output folder and the tracks folder lie in each other")
        if here.is_relative_to(out):
            raise self._error("out-is-here", "this is the folder you are in, or one above it")

    def _check_replaceable(self) -> None:
        """A folder that is there must be empty or premix's own, and hold nothing of anyone else."""
        if self.out.exists() and not self.out.is_dir():
            raise self._error("out-exists", "it is a file")
        files = files_below(self.out) if self.out.exists() else []
        if self._force or not files:
            return
        own = _own_files(self.out / MANIFEST)
        if own is None:
            raise self._error("out-exists", "the folder exists and was not made by premix")
        foreign = sorted(set(files) - own)
        if foreign:
            more = f" and {len(foreign) - 3} more" if len(foreign) > 3 else ""
            what = f"it holds files that premix did not write: {', '.join(foreign[:3])}{more}"
            raise self._error("out-has-other-files", what)

    def _error(self, slug: str, what: str) -> DeliveryError:
        return DeliveryError(Problem(slug, str(self._shown), what))


def _size(count: int) -> str:
    """Bytes as people read them."""
    return f"{count / 1e9:.1f} GB" if count >= 10e9 else f"{count / 1e6:.1f} MB"


def _own_files(manifest: Path) -> set[str] | None:
    """The files an earlier run wrote, by its manifest; None where there is no manifest of premix."""
    try:
        found = json.loads(manifest.read_text("utf-8"))
        return set(found["written"]) if "premix" in found else None
    except (OSError, ValueError, TypeError, KeyError):
        return None
