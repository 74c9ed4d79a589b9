"""How a batch and the songs it renders hear of each other, on whatever machine: small files in OUT.

As long as the go-ahead file is there, songs are rendered; a song that misses it stops and leaves nothing. So
Ctrl-C, a batch that was killed and a newer batch in the same OUT all stop the songs of this one, in every engine.
"""

import contextlib
import os
import shutil
import time
from pathlib import Path
from types import TracebackType

from premix.audio.writer import storage_error
from premix.delivery.scratch import Lock
from premix.errors import DeliveryError, Problem
from premix.pipeline import Progress

_CHECK_S = 0.25
_SHARES = {"reading": (0.0, 0.45), "rendering": (0.45, 0.9), "rendering trimmed": (0.9, 1.0)}
"""How much of a song is done at the begin and the end of its long steps, roughly."""


class StoppedError(Exception):
    """The batch that asked for this song does not want it any more."""


class Hub:
    """The batch's side: the lock on OUT, the go-ahead, and how far each song is. A context manager.

    Raises DeliveryError on entry where OUT cannot be used or another batch uses it.
    """

    def __init__(self, out: Path) -> None:
        self.out = out
        self.folder = out / ".premix-batch"
        self.go = self.folder / f"go-{os.getpid()}-{time.time_ns()}"
        self._lock = Lock(out / ".premix-batch-lock")

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

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        shutil.rmtree(self.folder, ignore_errors=True)
        self._lock.drop()

    def stop(self) -> None:
        """Withdraw the go-ahead."""
        self.go.unlink(missing_ok=True)

    def shares(self) -> dict[str, float]:
        """How much of each song under way is done, 0 to 1, by the song's name."""
        found = {}
        for path in self.folder.glob("*.share"):
            with contextlib.suppress(OSError, ValueError):
                found[path.name.removesuffix(".share")] = float(path.read_text())
        return found


class Pulse(Progress):
    """A song's side: tells how far it is, and raises StoppedError when the go-ahead is gone."""

    def __init__(self, go: Path, name: str) -> None:
        self._go, self._path = go, go.parent / f"{name}.share"
        self._step, self._samples, self._done, self._next = (0.0, 0.0), 1, 0, 0.0

    def begin(self, step: str, samples: int) -> None:
        so_far = self._step[1]
        self._step, self._samples, self._done = _SHARES.get(step, (so_far, so_far)), max(samples, 1), 0
        self._beat()

    def advance(self, samples: int) -> None:
        self._done += samples
        if time.monotonic() >= self._next:
            self._beat()

    def end(self) -> None:
        """The song is not under way any more."""
        with contextlib.suppress(OSError):
            self._path.unlink(missing_ok=True)

    def _beat(self) -> None:
        if not self._go.exists():
            raise StoppedError
        begin, end = self._step
        share = begin + (end - begin) * min(1.0, self._done / self._samples)
        with contextlib.suppress(OSError):  # a full disk must not stop a song over its progress
            self._path.write_text(f"{share:.3f}")
        self._next = time.monotonic() + _CHECK_S
