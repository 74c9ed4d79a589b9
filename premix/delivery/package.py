"""The output folder: all of a run's files appear in it at once, or none do.

Files are written into a hidden folder beside it, which takes its name at the end; where the folder itself cannot be
exchanged, into a hidden one inside of it (`premix.delivery.in_place`). Nothing that somebody else put there is ever
removed: what lies in the folder is listed at the start, and again when it is out of the way.
"""

import contextlib
import errno
import json
import os
import shutil
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from premix.audio.writer import disk_full, storage_error
from premix.delivery.documents import MANIFEST, write_json
from premix.delivery.holdings import (
    HIDDEN,
    MOST_FILES,
    Holdings,
    adopt,
    busy_with,
    earlier_run,
    holdings,
    protected,
    strangers,
)
from premix.delivery.in_place import LOCK, NEW, is_fixed, own_part, replace_inside, undo_inside
from premix.delivery.scratch import Lock
from premix.delivery.verify import files_below, sums_name, write_sums
from premix.delivery.whole import mend, replace_folder, sync_tree
from premix.errors import DeliveryError, Problem, listed
from premix.model.manifest import ComparisonManifest, Manifest

M = TypeVar("M", Manifest, ComparisonManifest)

_ROOM_TO_SPARE = 16_000_000  # bytes for documents beside the samples


class Package:
    """A context manager around the making of one output folder.

    inputs_folder: the tracks, which must stay out of its way. inputs: what else the run reads, by what it is. force:
    replace also what premix did not write. Raises DeliveryError on entry where the folder may not be made or replaced,
    and where the disk gets full.
    folder: the one to write into until `commit`. Leaving the context without that leaves everything as it was.
    """

    def __init__(
        self, out: Path, *, inputs_folder: Path, force: bool = False, inputs: Mapping[str, Path | None] | None = None
    ) -> None:
        self._shown, self._inputs_folder, self._force = out, inputs_folder, force
        self._named = [(what, path) for what, path in (inputs or {}).items() if path is not None]
        self.out = self._resolved(out)
        self._inside = is_fixed(self.out)
        names = [self.out / NEW, self.out / LOCK] if self._inside else [self._beside("new"), self._beside("lock")]
        self.folder, lock = names
        self._old, self._journal = self._beside("old"), self._beside("replaced")
        self._lock = Lock(lock)
        self._made_parents: list[Path] = []
        self._held: Holdings = {}
        self._needed = 0

    def __enter__(self) -> "Package":
        self._check_place()
        self.keep_out(self._named)
        ready = False
        try:
            self._make_parents()
            if not self._lock.take():
                raise self._error("out-in-use", "another run is writing this folder")
            self._mend()
            self._held = self._holdings()
            self._check_replaceable()
            ready = True
            self.folder.mkdir()
            adopt(self.out, self.folder)
        except BaseException as error:
            if ready:  # whatever lies there is this run's
                shutil.rmtree(self.folder, ignore_errors=True)
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

    def keep_out(self, inputs: Iterable[tuple[str, Path]]) -> None:
        """Raise DeliveryError for every file the run reads that lies in the output folder; inputs: what, and path."""
        inside = [(what, path) for what, path in inputs if _real(path).is_relative_to(self.out)]
        if inside:
            raise DeliveryError(
                Problem("out-holds-input", str(self._shown), f"{what} {path} lies in it, and would be replaced")
                for what, path in dict.fromkeys(inside)
            )

    def claim(self, song: str, kind: str = "render") -> None:
        """Raise DeliveryError where another song's files lie there, or files of another kind, and nothing is forced."""
        earlier = earlier_run(self.out)
        if earlier is not None and not self._force and (earlier.song, earlier.kind) != (song, kind):
            raise self._error("out-other-run", f"it holds {earlier.in_words()}, and this is a {kind} of {song}")

    def place_in(self, path: Path) -> Path | None:
        """Where a file or folder that is to lie in the output folder is made; None for any other."""
        real = _real(path)
        return self.folder / real.relative_to(self.out) if real.is_relative_to(self.out) else None

    def need(self, size: int) -> None:
        """Raise DeliveryError where the disk has no room for files of `size` bytes in all."""
        self._needed = size + _ROOM_TO_SPARE
        if self._needed > shutil.disk_usage(self.folder).free:
            raise self._error("disk-full", "the disk has too little room")

    def commit(self, manifest: M) -> M:
        """Write the manifest, which gets to know which files are premix's own, and put the folder in its place.

        Raises DeliveryError where meanwhile anything was saved into the output folder; that stays.
        """
        try:
            written = {*files_below(self.folder), MANIFEST, sums_name(manifest.song)}
            manifest = replace(manifest, written=tuple(sorted(written)))
            write_json(self.folder / MANIFEST, manifest)
            write_sums(self.folder, manifest.song, manifest.written)
            sync_tree(self.folder)
            self._accept(self.out)
            if self.out.exists():
                adopt(self.out, self.folder)
            self._replace()
        except OSError as error:
            raise storage_error(self._shown, error) from None
        return manifest

    def _replace(self) -> None:
        if self._inside:
            replace_inside(self.out, list(self._held))
            return
        self._journal.write_text(json.dumps(self._held), "utf-8", "surrogateescape")
        try:
            replace_folder(self.folder, self.out, self._old, self._accept)
        finally:
            self._journal.unlink(missing_ok=True)

    def _accept(self, old: Path) -> None:
        """Raise DeliveryError where the old folder holds anything that was not there when the run began."""
        if os.path.lexists(old) and not old.is_dir():
            raise self._error("out-exists", "it is a file")
        found = holdings(old)
        if self._inside:
            found = {name: found[name] for name in own_part(found)}
        new = strangers(found, self._held)
        if new:
            saved = listed(new, MOST_FILES)
            what = f"while this run was at work, files were saved into it: {saved}; they are there, as they were"
            raise self._error("out-changed", what)

    def _mend(self) -> None:
        """Undo what a killed run left. What it replaced may go; anything else is put where it can be found."""
        if self._inside:
            undo_inside(self.out)
            return
        replaced: dict[str, tuple[int, ...]] | None = None
        with contextlib.suppress(OSError, ValueError, AttributeError, TypeError):
            text = self._journal.read_text("utf-8", "surrogateescape")
            replaced = {name: tuple(stamp) for name, stamp in json.loads(text).items()}
        kept: list[Path] = []

        def spare(leftover: Path) -> None:
            found = holdings(leftover)
            earlier = earlier_run(leftover)
            whole = earlier is not None and not strangers(found, earlier.written)
            if replaced is not None and not whole and strangers(found, replaced):
                kept.append(_free_name(self.out.with_name(f"{self.out.name}-kept")))
                leftover.rename(kept[-1])

        mend(self.folder, self.out, self._old, spare)
        self._journal.unlink(missing_ok=True)
        if kept:
            what = f"a run that was killed had replaced files that premix did not write; they are in {kept[0]}"
            raise self._error("out-kept", what)

    def _holdings(self) -> Holdings:
        found = holdings(self.out) if self.out.is_dir() else {}
        return {name: found[name] for name in own_part(found)} if self._inside else found

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

    def _resolved(self, out: Path) -> Path:
        try:
            real = _real(out)
            with contextlib.suppress(FileNotFoundError, NotADirectoryError):
                out.stat()
        except ValueError:
            raise self._error("out-impossible", "no folder can have this name") from None
        except OSError as error:
            if error.errno not in (errno.ELOOP, errno.ENAMETOOLONG):
                raise storage_error(out, error) from None
            what = "its links lead in a circle" if error.errno == errno.ELOOP else "the name is too long"
            raise self._error("out-impossible", what) from None
        if not real.name:
            raise self._error("out-impossible", "this is a whole disk, no folder of its own")
        return real

    def _beside(self, what: str) -> Path:
        return self.out.with_name(f"{HIDDEN}{what}-{self.out.name}")

    def _check_place(self) -> None:
        out, inputs, here = self.out, _real(self._inputs_folder), _here()
        if out == inputs or out.is_relative_to(inputs) or inputs.is_relative_to(out):
            raise self._error("out-in-tracks", "the output folder and the tracks folder lie in each other")
        if here is not None and here.is_relative_to(out):
            raise self._error("out-is-here", "this is the folder you are in, or one above it")

    def _check_replaceable(self) -> None:
        """A folder that is there must be empty or premix's own, hold nothing of anyone else, and may be written."""
        if os.path.lexists(self.out) and not self.out.is_dir():
            raise self._error("out-exists", "it is a file")
        busy = busy_with(self.out, self._held)
        if busy is not None:
            raise self._error("out-in-use", f"another run is writing {busy}")
        if self.out.exists() and (closed := protected(self.out)) is not None:
            raise DeliveryError(Problem("cannot-write", str(closed), "it is write-protected"))
        if self._force or not strangers(self._held, ()):
            return
        earlier = earlier_run(self.out)
        if earlier is None:
            raise self._error("out-exists", "the folder exists and was not made by premix")
        foreign = strangers(self._held, earlier.written)
        if foreign:
            raise self._error(
                "out-has-other-files", f"it holds files that premix did not write: {listed(foreign, MOST_FILES)}"
            )

    def _error(self, slug: str, what: str) -> DeliveryError:
        return DeliveryError(Problem(slug, str(self._shown), what))


def _real(path: Path) -> Path:
    """The path without links, also where it leads in a circle; ValueError where no file can have the name."""
    return Path(os.path.realpath(path))


def _here() -> Path | None:
    """The current folder; None where it is gone."""
    try:
        return Path.cwd()
    except OSError:
        return None


def _free_name(path: Path) -> Path:
    numbered = (path.with_name(f"{path.name}-{number}") for number in range(1, 1_000_000))
    return next(name for name in (path, *numbered) if not os.path.lexists(name))


def _size(count: int) -> str:
    """Bytes as people read them."""
    return f"{count / 1e9:.1f} GB" if count >= 10e9 else f"{count / 1e6:.1f} MB"
