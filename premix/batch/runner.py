"""The songs of a batch over an engine: handed over, collected, lost ones tried once more alone.

The batch and the songs it renders hear of each other, on whatever machine, by small files in OUT. As long as the
go-ahead file is there, songs are rendered; a song that misses it stops and leaves nothing. So Ctrl-C, a batch that was
killed and a newer batch in the same OUT all stop the songs of this one, in every engine. A song's side of that is
`premix.batch.work.Pulse`.
"""

import contextlib
import os
import shutil
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Executor, Future, wait
from pathlib import Path

from premix.audio.writer import storage_error
from premix.batch.engines import Engine, held_interrupts
from premix.batch.work import SongJob, SongResult, lost_song
from premix.delivery.scratch import Lock
from premix.errors import DeliveryError, Problem, UserError

Work = Callable[[SongJob], SongResult]
Lost = list[tuple[SongJob, BaseException]]

_TICK_S = 0.5
_SILENT_S = 60.0
"""A song's longest step without a word, its page, takes less."""
_STOP_S = 15.0
"""Time that songs under way have to leave cleanly."""


class Hub:
    """The batch's side: the lock on OUT, the go-ahead, and how far each song is. A context manager.

    Raises DeliveryError on entry where OUT cannot be used or another batch uses it.
    """

    def __init__(self, out: Path) -> None:
        self.out = out
        self.folder = out / ".premix-batch"
        self.go = self.folder / f"go-{os.getpid()}-{time.time_ns()}"
        self._lock = Lock(out / ".premix-batch-lock")
        self._heard: dict[str, tuple[int, float, float]] = {}

    def __enter__(self) -> "Hub":
        try:
            self.out.mkdir(parents=True, exist_ok=True)
            if not self._lock.take():
                slug = "batch-out-in-use"
                raise DeliveryError(Problem(slug, str(self.out), "another batch is writing into this folder"))
            shutil.rmtree(self.folder, ignore_errors=True)  # of a batch that was killed: its songs stop
            self.folder.mkdir()
            self.go.touch()
        except OSError as error:
            self._lock.drop()
            raise storage_error(self.out, error) from None
        return self

    def __exit__(self, *_: object) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)
        self._lock.drop()

    def silent(self) -> Iterator[str]:
        """A line for every song under way that has not said for long how far it is."""
        now = time.monotonic()
        for path in self.folder.glob("*.share"):
            with contextlib.suppress(OSError):
                beat = path.stat().st_mtime_ns
                heard, since, said = self._heard.get(path.name, (-1, now, now))
                if beat != heard:
                    since = said = now
                elif now - said > _SILENT_S:
                    said = now
                    yield f"{path.name.removesuffix('.share')}: nothing heard of it for {now - since:.0f} s"
                self._heard[path.name] = beat, since, said

    def shares(self) -> dict[str, float]:
        """How much of each song under way is done, 0 to 1, by the song's name."""
        found = {}
        for path in self.folder.glob("*.share"):
            with contextlib.suppress(OSError, ValueError):
                found[path.name.removesuffix(".share")] = float(path.read_text())
        return found


class Watch:
    """What a batch tells while it runs; the default tells nobody."""

    def begin(self, songs: int) -> None:
        """So many songs are about to be rendered."""

    def finished(self, result: SongResult) -> None:
        """A song has come back."""

    def warn(self, text: str) -> None:
        """Something that keeps the songs waiting."""

    def tick(self, shares: Mapping[str, float]) -> None:
        """Every half second or so: how much of each song under way is done."""


class Runner:
    """Runs jobs on an engine and keeps every result that came back, also when it is interrupted.

    work: what is done with a job; it must be importable by the workers.
    """

    def __init__(self, engine: Engine, hub: Hub, watch: Watch, work: Work) -> None:
        self.results: dict[str, SongResult] = {}
        self._open: set[str] = set()
        self._engine, self._hub, self._watch, self._work = engine, hub, watch, work

    def run(self, jobs: Sequence[SongJob]) -> None:
        """Run all jobs; `results` holds one for each afterwards. KeyboardInterrupt once all songs have stopped."""
        self._watch.begin(len(jobs))
        waiting = deque(jobs)
        self._open = {job.name for job in jobs}
        try:
            while waiting:
                for job, _ in self._round(waiting, self._engine.at_once):
                    for again, error in self._round(deque([job]), 1):
                        self._keep(lost_song(again, error))
        except UserError as error:  # the engine itself is gone: so is every song that has not come back
            for job in jobs:
                if job.name in self._open:
                    self._keep(SongResult(job.name, "lost", problems=error.problems))

    def _round(self, waiting: deque[SongJob], at_once: int) -> Lost:
        """Run waiting songs until none is left or the executor breaks; gives those that were lost on the way."""
        lost: Lost = []
        flying: dict[Future[SongResult], SongJob] = {}
        with self._engine.executor(at_once) as executor:
            whole = True
            try:
                while flying or (waiting and whole):
                    while whole and waiting and len(flying) < at_once:
                        whole = self._submit(executor, waiting, flying)
                    done, _ = wait(flying, _TICK_S, FIRST_COMPLETED)
                    for future in done:
                        whole = self._collect(future, flying.pop(future), lost) and whole
                    self._watch.tick(self._hub.shares())
                    for line in (self._engine.health(), *self._hub.silent()):
                        if line:
                            self._watch.warn(line)
            except KeyboardInterrupt:
                self._stop(flying)
                raise
        return lost

    def _submit(self, executor: Executor, waiting: deque[SongJob], flying: dict[Future[SongResult], SongJob]) -> bool:
        """Hand over the next song; False where the executor takes no more."""
        try:
            with held_interrupts():
                flying[executor.submit(self._work, waiting[0])] = waiting[0]
        except BrokenExecutor:
            return False
        waiting.popleft()
        return True

    def _collect(self, future: Future[SongResult], job: SongJob, lost: Lost) -> bool:
        """Keep a song's result, or note it as lost; False where the executor has broken."""
        try:
            self._keep(future.result())
        except (BrokenExecutor, CancelledError) as error:  # cancelled by nobody here: the cluster has lost it
            lost.append((job, error))
            return False
        except Exception as error:
            lost.append((job, error))
        return True

    def _keep(self, result: SongResult) -> None:
        self.results[result.name] = result
        self._open.discard(result.name)
        self._watch.finished(result)

    def _stop(self, flying: dict[Future[SongResult], SongJob]) -> None:
        """Withdraw the go-ahead and wait until the songs under way have left; those that were done count."""
        self._hub.go.unlink(missing_ok=True)
        done, still = wait(flying, _STOP_S)
        for future in done:
            if not future.cancelled() and future.exception() is None and future.result().status != "stopped":
                self._keep(future.result())
        for future in still:
            future.cancel()
