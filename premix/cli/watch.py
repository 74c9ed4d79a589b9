"""`premix render --watch`: renders again whenever the recipe, its layers, the sheet or a track is saved.

What counts is told by the sizes and times of the files, looked at before a run and again after it: nothing that is
saved meanwhile is missed. A file watcher (watchdog, extra `watch`) only says sooner when to look; without it, or where
it cannot watch, they are looked at twice a second.
"""

import contextlib
import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from premix.cli import show
from premix.delivery.against import Render
from premix.delivery.documents import read_manifest
from premix.errors import Exit, RecipeError, UserError, verdict
from premix.pipeline import Outcome
from premix.recipe.layers import layer_files

LOOK_S = 0.5
"""Between two looks where nobody says when."""
WATCHED_LOOK_S = 5.0
"""Where somebody does: some file systems tell nobody."""
STEADY_S = 0.3
"""For so long nothing may change before a run: a save takes its time."""
_MOST_FILES = 10_000

Snapshot = dict[Path, tuple[int, int]]
"""Size in bytes and time of the last change in ns of every file that counts."""
RenderOnce = Callable[[Render | None], Outcome]


class Watched:
    """The files that a render depends on. sheet: its alignment sheet, if it has one."""

    def __init__(self, recipe: Path, tracks: Path, sheet: Path | None) -> None:
        self.recipe, self.tracks, self._sheet = recipe, tracks, sheet
        self._layers: tuple[Path, ...] = ()

    def files(self) -> list[Path]:
        """Recipe files and the sheet, whether they are there or not; while a layer cannot be read, also those known."""
        found, whole = layer_files(self.recipe, self.tracks)
        self._layers = found if whole else tuple(dict.fromkeys([*found, *self._layers]))
        return [*self._layers, *([self._sheet] if self._sheet else [])]

    def snapshot(self) -> Snapshot:
        """How they are now; what is not there is left out."""
        found: Snapshot = {}
        with contextlib.suppress(OSError):
            for number, path in enumerate(self.tracks.rglob("*")):
                if number == _MOST_FILES:
                    break
                _note(found, path)
        for path in self.files():
            _note(found, path)
        return found


def _note(found: Snapshot, path: Path) -> None:
    with contextlib.suppress(OSError):
        status = path.stat()
        if not path.is_dir():
            found[path] = (status.st_size, status.st_mtime_ns)


class Waker(AbstractContextManager["Waker"]):
    """Waits until something may have changed. watcher: use the extra's file watcher where it is installed."""

    def __init__(self, watched: Watched, *, watcher: bool = True) -> None:
        self._woken = threading.Event()
        self._observer: Any = self._observe(watched) if watcher else None

    @property
    def watches(self) -> bool:
        """Whether a file watcher says when to look."""
        return self._observer is not None

    def wait(self) -> None:
        """Until the watcher says so, or it is time to look."""
        self._woken.wait(WATCHED_LOOK_S if self.watches else LOOK_S)
        self._woken.clear()

    def __exit__(self, *_: object) -> None:
        if self._observer is not None:
            self._observer.stop()
            self._observer.join()

    def _observe(self, watched: Watched) -> Any:
        """A running observer of the folders that hold the files; None where there is none."""
        try:
            from watchdog.events import FileSystemEventHandler
            from watchdog.observers import Observer
        except ImportError:
            return None
        woken = self._woken

        class Handler(FileSystemEventHandler):  # type: ignore[misc]
            def on_any_event(self, event: object) -> None:
                if getattr(event, "event_type", "") not in ("opened", "closed_no_write"):  # our own reading
                    woken.set()

        observer = Observer()
        try:
            observer.schedule(Handler(), str(watched.tracks), recursive=True)
            for folder in {path.resolve().parent for path in watched.files()} - {watched.tracks.resolve()}:
                observer.schedule(Handler(), str(folder), recursive=False)
            observer.start()
        except (OSError, RuntimeError):  # no more watches left, a share that knows none, a folder that is not there
            return None
        return observer


def watch(watched: Watched, out: Path, once: RenderOnce, *, watcher: bool = True) -> Exit:
    """Render, wait for a change, and so on, until Ctrl-C. once: one render, given the one that lies in OUT."""
    try:
        while True:
            before = watched.snapshot()
            _one_run(out, once)
            with Waker(watched, watcher=watcher) as waker:
                while (now := watched.snapshot()) == before:
                    waker.wait()
            _settle(watched, now)
    except KeyboardInterrupt:
        show.say(f"stopped; what lies in {out} is whole")
        return Exit.INTERRUPTED


def _settle(watched: Watched, now: Snapshot) -> None:
    """Wait until what is being saved is saved."""
    while True:
        time.sleep(STEADY_S)
        last, now = now, watched.snapshot()
        if now == last:
            return


def _one_run(out: Path, once: RenderOnce) -> None:
    """One render in one line; what the user has to mend in one line each."""
    started = time.monotonic()
    try:
        outcome = once(_in(out))
    except UserError as error:
        _tell(f"not rendered, {len(error.problems)} to mend; what lies in {out} stays")
        for problem in error.problems:
            show.say(f"  {problem.line()}")
        return
    broken = "; ".join(f"{finding.subject}: {finding.message}" for finding in outcome.broken)
    done = verdict(len(outcome.broken)) + (f" ({broken})" if broken else "")
    changed = "nothing to compare it with" if outcome.changes is None else outcome.changes.line()
    _tell(f"{done}: {len(outcome.manifest.files)} files in {time.monotonic() - started:.1f} s, {changed}")


def _in(out: Path) -> Render | None:
    """The render that lies in OUT."""
    try:
        return Render(read_manifest(out), out)
    except RecipeError:
        return None


def _tell(line: str) -> None:
    show.say(f"{time.strftime('%H:%M:%S')} {line}")
