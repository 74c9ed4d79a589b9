"""The command `premix batch` as a process of its own, to be watched, killed and interrupted."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import psutil

PATIENCE_S = 120.0


class Command:
    """A running batch. args: what stands behind `premix batch`; limit_bytes: largest file it may write."""

    def __init__(self, args: Sequence[str | Path], limit_bytes: int | None = None) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "premix", "batch", "--no-report", *map(str, args)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
            preexec_fn=lambda: _begin(limit_bytes),
        )

    def until(self, condition: Callable[[], bool]) -> None:
        """Wait for something to be so while the batch runs."""
        end = time.monotonic() + PATIENCE_S
        while not condition():
            assert self.process.poll() is None, self.process.communicate()
            assert time.monotonic() < end, "it never came to that"
            time.sleep(0.005)

    def workers(self) -> list[psutil.Process]:
        """The processes that render."""
        children = psutil.Process(self.process.pid).children(recursive=True)
        return [child for child in children if "spawn_main" in " ".join(child.cmdline())]

    def interrupt(self) -> None:
        """Ctrl-C, as a terminal sends it: to every process of the command."""
        os.killpg(self.process.pid, signal.SIGINT)

    def end(self) -> tuple[int, str, str]:
        """Exit code, standard output and standard error."""
        out, err = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, out, err


def batch(*args: str | Path, limit_bytes: int | None = None) -> tuple[int, dict[str, Any], str]:
    """Run a batch to its end: exit code, its JSON document, standard error."""
    code, out, err = Command([*args, "--json"], limit_bytes).end()
    return code, json.loads(out) if out else {}, err


def verdicts(document: dict[str, Any]) -> dict[str, str]:
    """Song -> verdict."""
    return {song["song"]: song["verdict"] for song in document["songs"]}


def _begin(limit_bytes: int | None) -> None:
    """In the child: Ctrl-C is heard even where the tests were started by something that ignores it."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    if limit_bytes is not None:
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))
