"""plug_in: a user's own effect plug-in, each instance in a process of its own.

This is our side of it: what is asked and believed, a click that checks the reported latency, and a second run beside
the first. How the process is held is `plug_in_process`, its other side `plug_in_worker`. Nothing that comes from it is
taken on trust: neither its length nor its form.
"""

import json
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Annotated, Any, ClassVar

import numpy as np
from pydantic import Field

from premix.arrays import FloatArray
from premix.errors import Finding, Problem, RecipeError
from premix.model.settings import Alias
from premix.processors.base import FilePath, InRows, Processor, Running, Setting, between
from premix.processors.plug_in_process import PlugInProcess


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
    memory_limit_mb: Annotated[float, between(200.0, 64_000.0)] = Field(
        1000.0, description="Memory that it may take; a plug-in that wants more is ended.", examples=[1000]
    )

    def is_usable(self, key: str, path: Path) -> bool:
        return path.is_file() or (key == "file" and path.is_dir() and path.suffix.lower() in _BUNDLES)

    def make(self, setting: Setting) -> Running:
        return HostedPlugIn(self, setting)


_BUNDLES = (".vst3", ".component")
ROW = 4096
_CLICK = 0.5
_CLICK_TOLERANCE_S = 0.00025
"""A filter without latency moves the peak of a click by less than this."""


class HostedPlugIn(InRows):
    """One plug-in in two processes that get the same blocks; what the first answers is used."""

    def __init__(self, settings: PlugIn, setting: Setting) -> None:
        limits = {"time_limit_s", "memory_limit_mb"}
        order = settings.model_dump(exclude=limits) | {"rate": setting.rate, "channels": setting.channels}
        may = _May(settings.time_limit_s, settings.memory_limit_mb)
        self._where = setting.where
        self._repeats = True
        with ExitStack() as stack:
            self._workers = [stack.enter_context(_Worker(order, setting.where, may)) for _ in range(2)]
            self._arrived, self._expected = _click(order, setting, may)
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


def _click(order: dict[str, Any], setting: Setting, may: "_May") -> tuple[int | None, int]:
    """Where a click's peak comes out (None: nowhere), and where it should, in samples."""
    with _Worker(order, setting.where, may) as worker:
        rows = np.zeros((2 + worker.latency // ROW, setting.channels, ROW))
        rows[0, :, ROW // 2] = _CLICK
        heard = np.concatenate([np.abs(worker.send(row)()).max(axis=0) for row in rows])
        peak = int(heard.argmax())
        return (peak if heard[peak] > 1e-4 else None), ROW // 2 + worker.latency


Answer = tuple[dict[str, Any], bytes]
"""The line of JSON that an answer begins with, and its samples."""


_LONGEST_LINE = 4096
_MOST_LATENCY_S = 30


@dataclass(frozen=True, slots=True)
class _May:
    """What one process may take."""

    time_limit_s: float
    memory_limit_mb: float


class _Worker(AbstractContextManager["_Worker"]):
    """One worker process; every answer must come within the time limit."""

    def __init__(self, order: dict[str, Any], where: str, may: _May) -> None:
        self._where, self._may, self._file = where, may, order["file"]
        self._pool = ThreadPoolExecutor(1)
        self._held = PlugInProcess(round(may.memory_limit_mb * 1e6), may.time_limit_s)
        self._process = self._held.process
        try:
            answer = self._within(self._pool.submit(self._ask, json.dumps(order).encode() + b"\n", ()))[0]
            if "error" in answer:
                reason = " ".join(str(answer["error"]).split())[:300]
                raise self._problem("plug-in-refused", f"'{self._file}' cannot be loaded: {reason}")
            latency = answer.get("latency")
            if not isinstance(latency, int) or not 0 <= latency <= _MOST_LATENCY_S * order["rate"]:
                what = f"'{self._file}' says that it is late by {str(latency)[:40]} samples"
                raise self._problem("plug-in-crashed", what)
            self.latency = latency
        except BaseException:
            self.__exit__()
            raise

    def __exit__(self, *error: object) -> None:
        self._held.close()
        self._pool.shutdown()

    def send(self, row: FloatArray) -> Callable[[], FloatArray]:
        """Give the worker a block (channels, n); what is returned waits for its answer."""
        head = json.dumps({"shape": row.shape}).encode() + b"\n"
        order = head + row.astype("<f4").tobytes()
        return partial(self._take, self._pool.submit(self._ask, order, row.shape), row.shape)

    def _take(self, asked: Future[Answer], shape: tuple[int, ...]) -> FloatArray:
        answer, samples = self._within(asked)
        if answer.get("shape") != list(shape):
            given = str(answer.get("shape"))[:40]
            raise self._problem("plug-in-crashed", f"'{self._file}' gave {given} samples for {shape}")
        return np.frombuffer(samples, "<f4").reshape(shape).astype(np.float64)

    def _ask(self, order: bytes, shape: tuple[int, ...]) -> Answer:
        """Send an order and read its answer; runs in a thread of its own, so that it can be waited for.

        shape: of the samples that may come with it; of any other answer none are read.
        """
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.write(order)
        self._process.stdin.flush()
        line = self._process.stdout.readline(_LONGEST_LINE)
        if not line.endswith(b"\n"):
            raise EOFError
        answer = json.loads(line)
        if not isinstance(answer, dict):
            raise EOFError
        if not shape or answer.get("shape") != list(shape):
            return answer, b""
        size = 4 * int(np.prod(shape))
        samples = self._process.stdout.read(size)
        if len(samples) < size:
            raise EOFError
        return answer, samples

    def _within(self, asked: Future[Answer]) -> Answer:
        try:
            return asked.result(self._may.time_limit_s)
        except TimeoutError:
            what = f"'{self._file}' did not answer within {self._may.time_limit_s:g} s"
            raise self._problem("plug-in-too-slow", what) from None
        except (EOFError, OSError, ValueError, RecursionError):
            what = f"'{self._file}' crashed (it may take {self._may.memory_limit_mb:g} MB of memory)"
            raise self._problem("plug-in-crashed", what) from None

    def _problem(self, slug: str, what: str) -> RecipeError:
        return RecipeError(Problem(slug, self._where, what))
