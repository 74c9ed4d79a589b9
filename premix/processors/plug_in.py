"""plug_in: a user's own effect plug-in, each instance in a process of its own.

This is our side of it: the processes and their time limit, a click that checks the reported latency, and a second
run beside the first. The other side is `plug_in_worker`.
"""

import json
import subprocess
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager, ExitStack, suppress
from functools import partial
from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import Field

from premix.arrays import FloatArray
from premix.errors import Finding, Problem, RecipeError
from premix.model.settings import Alias
from premix.processors.base import FilePath, InRows, Processor, Running, Setting, between


class PlugIn(Processor):
    """A VST3 plug-in of your own, loaded in a process of its own; its reported latency is compensated.

    It runs twice, and is marked as not reproducible where the two differ. It works in 32 bits. What it does to the
    phase is not known to the alignment. Tested on Linux with a small plug-in built for it; others were not tried.
    """

    kind: ClassVar[str] = "plug_in"
    files: ClassVar[tuple[str, ...]] = ("file", "state")

    file: FilePath = Field(description="The plug-in, from this recipe's folder.", examples=["/plugins/Warm.vst3"])
    name: Alias | None = Field(None, description="Which one, where the file holds several.", examples=["Warm Mono"])
    state: FilePath | None = Field(
        None,
        description="A file with the plug-in's settings (its raw state, or a .vstpreset), from this recipe's folder.",
        examples=["warm.vstpreset"],
    )
    time_limit_s: Annotated[float, between(1.0, 600.0)] = Field(
        30.0, description="Longest that loading, or any one block, may take.", examples=[30]
    )

    def make(self, setting: Setting) -> Running:
        return HostedPlugIn(self, setting)


ROW = 4096
_CLICK = 0.5
_CLICK_TOLERANCE_S = 0.00025
"""A filter without latency moves the peak of a click by less than this."""


def worker_command() -> Sequence[str]:
    """How the worker is started."""
    return sys.executable, "-m", "premix.processors.plug_in_worker"


class HostedPlugIn(InRows):
    """One plug-in in two processes that get the same blocks; what the first answers is used."""

    def __init__(self, settings: PlugIn, setting: Setting) -> None:
        order = settings.model_dump(exclude={"time_limit_s"}) | {"rate": setting.rate, "channels": setting.channels}
        limit_s = settings.time_limit_s
        self._where = setting.where
        self._repeats = True
        with ExitStack() as stack:
            self._workers = [stack.enter_context(_Worker(order, setting.where, limit_s)) for _ in range(2)]
            self._arrived, self._expected = _click(order, setting, limit_s)
            self._tolerance = _CLICK_TOLERANCE_S * setting.rate
            self._stack = stack.pop_all()
        super().__init__(setting.channels, ROW, self._workers[0].latency)

    def work(self, row: FloatArray) -> FloatArray:
        asked = [worker.send(row) for worker in self._workers]
        first, second = (take() for take in asked)
        self._repeats = self._repeats and np.array_equal(first, second)
        return first

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


def _click(order: dict[str, Any], setting: Setting, limit_s: float) -> tuple[int | None, int]:
    """Where a click's peak comes out (None: nowhere), and where it should, in samples."""
    with _Worker(order, setting.where, limit_s) as worker:
        rows = np.zeros((2 + worker.latency // ROW, setting.channels, ROW))
        rows[0, :, ROW // 2] = _CLICK
        heard = np.concatenate([np.abs(worker.send(row)()).max(axis=0) for row in rows])
        peak = int(heard.argmax())
        return (peak if heard[peak] > 1e-4 else None), ROW // 2 + worker.latency


Answer = tuple[dict[str, Any], bytes]
"""The line of JSON that an answer begins with, and its samples."""


class _Worker(AbstractContextManager["_Worker"]):
    """One worker process; every answer must come within the time limit."""

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

    def __exit__(self, *error: object) -> None:
        self._process.kill()
        self._process.wait()
        self._pool.shutdown()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with suppress(OSError):  # what was still to be written finds nobody
                    pipe.close()

    def send(self, row: FloatArray) -> Callable[[], FloatArray]:
        """Give the worker a block (channels, n); what is returned waits for its answer."""
        head = json.dumps({"shape": row.shape}).encode() + b"\n"
        return partial(self._take, self._pool.submit(self._ask, head + row.astype("<f4").tobytes()), row.shape)

    def _take(self, asked: Future[Answer], shape: tuple[int, ...]) -> FloatArray:
        answer, samples = self._within(asked)
        if tuple(answer["shape"]) != shape:
            raise self._problem("plug-in-crashed", f"'{self._file}' gave {answer['shape']} samples for {shape}")
        return np.frombuffer(samples, "<f4").reshape(shape).astype(np.float64)

    def _ask(self, order: bytes) -> Answer:
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

    def _within(self, asked: Future[Answer]) -> Answer:
        try:
            return asked.result(self._limit_s)
        except TimeoutError:
            what = f"'{self._file}' did not answer within {self._limit_s:g} s"
            raise self._problem("plug-in-too-slow", what) from None
        except (EOFError, OSError, ValueError):
            raise self._problem("plug-in-crashed", f"'{self._file}' crashed") from None

    def _problem(self, slug: str, what: str) -> RecipeError:
        return RecipeError(Problem(slug, self._where, what))
