"""Our side of a plug-in: its process, its time limit, the click that checks its latency, and a second run beside it.

plug_in: a user's own effect plug-in, in a process of its own.
"""

import json
import subprocess
import sys
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import ExitStack
from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import Field

from premix.arrays import FloatArray
from premix.errors import Problem, RecipeError
from premix.model.finding import Finding
from premix.processors.base import InRows, Processor, Running, Setting

ROW = 4096
_CLICK = 0.5
_CLICK_TOLERANCE_S = 0.00025
"""A filter without latency moves the peak of a click by less than this."""


def worker_command() -> Sequence[str]:
    """How the worker is started."""
    return sys.executable, "-m", "premix.processors.plug_in_worker"


class HostedPlugIn(Running):
    """One plug-in in two processes that get the same blocks; what the first answers is used."""

    def __init__(self, setting: Setting, file: str, name: str | None, state: str | None, limit_s: float) -> None:
        order = {"file": file, "name": name, "state": state, "rate": setting.rate, "channels": setting.channels}
        self._where = setting.where
        self._repeats = True
        with ExitStack() as stack:
            self._workers = [stack.enter_context(_Worker(order, setting.where, limit_s)) for _ in range(2)]
            self._arrived, self._expected = _click(order, setting, limit_s)
            self._tolerance = _CLICK_TOLERANCE_S * setting.rate
            self._stack = stack.pop_all()
        self._rows = InRows(self._work, setting.channels, ROW, self._workers[0].latency)
        self.latency_samples = self._rows.latency_samples

    def process(self, block: FloatArray) -> FloatArray:
        return self._rows.process(block)

    def close(self) -> None:
        self._stack.close()

    def findings(self) -> tuple[Finding, ...]:
        found = []
        if not self._repeats:
            found.append(self._finding("plug-in-not-reproducible", "two runs of it gave different samples"))
        if self._arrived is None:
            found.append(self._finding("plug-in-latency", "a click did not come through to check its latency"))
        elif abs(self._arrived - self._expected) > self._tolerance:
            off = self._arrived - self._expected
            found.append(self._finding("plug-in-latency", f"a click came {off:+d} samples off the reported latency"))
        return tuple(found)

    def _finding(self, slug: str, message: str) -> Finding:
        return Finding(slug, "warning", self._where, message)

    def _work(self, row: FloatArray) -> FloatArray:
        for worker in self._workers:
            worker.send(row)
        first, second = (worker.take() for worker in self._workers)
        self._repeats = self._repeats and np.array_equal(first, second)
        return first


def _click(order: dict[str, Any], setting: Setting, limit_s: float) -> tuple[int | None, int]:
    """Where a click's peak comes out (None: nowhere), and where it should, in samples."""
    with _Worker(order, setting.where, limit_s) as worker:
        rows = []
        for k in range(2 + worker.latency // ROW):
            row = np.zeros((setting.channels, ROW))
            if k == 0:
                row[:, ROW // 2] = _CLICK
            worker.send(row)
            rows.append(np.abs(worker.take()).max(axis=0))
        heard = np.concatenate(rows)
        peak = int(heard.argmax())
        return (peak if heard[peak] > 1e-4 else None), ROW // 2 + worker.latency


class _Worker:
    """One worker process; every answer must come within the time limit. A context manager."""

    def __init__(self, order: dict[str, Any], where: str, limit_s: float) -> None:
        self._where, self._limit_s, self._file = where, limit_s, order["file"]
        self._pool = ThreadPoolExecutor(1)
        self._process = subprocess.Popen(
            worker_command(), stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        try:
            answer = self._within(self._pool.submit(self._ask, json.dumps(order).encode() + b"\n"))[0]
            if "error" in answer:
                raise self._problem("plug-in-refused", f"'{self._file}' cannot be loaded: {answer['error']}")
            self.latency = int(answer["latency"])
        except BaseException:
            self.__exit__()
            raise
        self._waiting: Future[tuple[dict[str, Any], bytes]] | None = None

    def __enter__(self) -> "_Worker":
        return self

    def __exit__(self, *error: object) -> None:
        self._process.kill()
        self._process.wait()
        self._pool.shutdown()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except OSError:  # what was still to be written finds nobody
                    continue

    def send(self, row: FloatArray) -> None:
        """Give the worker a block (channels, n); its answer is waited for in `take`."""
        self._shape = row.shape
        head = json.dumps({"shape": row.shape}).encode() + b"\n"
        self._waiting = self._pool.submit(self._ask, head + row.astype("<f4").tobytes())

    def take(self) -> FloatArray:
        """The answer to the block sent last."""
        assert self._waiting is not None, "nothing was sent"
        answer, samples = self._within(self._waiting)
        if tuple(answer["shape"]) != self._shape:
            raise self._problem("plug-in-crashed", f"'{self._file}' gave {answer['shape']} samples for {self._shape}")
        return np.frombuffer(samples, "<f4").reshape(self._shape).astype(np.float64)

    def _ask(self, order: bytes) -> tuple[dict[str, Any], bytes]:
        """Send an order and read its answer; runs in a thread of its own, so that it can be waited for."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(order)
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        if not line:
            raise EOFError
        answer: dict[str, Any] = json.loads(line)
        size = 4 * int(np.prod(answer.get("shape", (0,))))
        samples = self._process.stdout.read(size)
        if len(samples) < size:
            raise EOFError
        return answer, samples

    def _within(self, answer: Future[tuple[dict[str, Any], bytes]]) -> tuple[dict[str, Any], bytes]:
        try:
            return answer.result(self._limit_s)
        except TimeoutError:
            what = f"'{self._file}' did not answer within {self._limit_s:g} s"
            raise self._problem("plug-in-too-slow", what) from None
        except (EOFError, OSError, ValueError):
            raise self._problem("plug-in-crashed", f"'{self._file}' crashed") from None

    def _problem(self, slug: str, what: str) -> RecipeError:
        return RecipeError(Problem(slug, self._where, what))


class PlugIn(Processor):
    """A VST3 plug-in of your own, loaded in a process of its own; its reported latency is compensated.

    It runs twice, and is marked as not reproducible where the two differ. It works in 32 bits. What it does to the
    phase is not known to the alignment. Tested on Linux with a small plug-in built for it; others were not tried.
    """

    kind: ClassVar[str] = "plug_in"
    files: ClassVar[tuple[str, ...]] = ("file", "state")

    file: str = Field(
        description="The plug-in, from this recipe's folder.",
        examples=["/plugins/Warm.vst3"],
        min_length=1,
        max_length=400,
    )
    name: str | None = Field(
        None,
        description="Which one, where the file holds several.",
        examples=["Warm Mono"],
        min_length=1,
        max_length=200,
    )
    state: str | None = Field(
        None,
        description="A file with the plug-in's settings (its raw state, or a .vstpreset), from this recipe's folder.",
        examples=["warm.vstpreset"],
        min_length=1,
        max_length=400,
    )
    time_limit_s: Annotated[float, Field(ge=1.0, le=600.0, allow_inf_nan=False)] = Field(
        30.0, description="Longest that loading, or any one block, may take.", examples=[30]
    )

    def make(self, setting: Setting) -> Running:
        return HostedPlugIn(setting, self.file, self.name, self.state, self.time_limit_s)
