"""A stand-in for the process that holds a plug-in: the same protocol, and misbehaviour by name."""

import itertools
import json
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from premix.arrays import SingleArray
from premix.processors.plug_in_worker import run

LATE = 100


def _tell(what: object) -> None:
    raise RuntimeError(json.dumps(what))


def _answer(text: bytes) -> None:
    """Say something in the protocol's place: on every pipe that is open, as it is not known which is which."""
    for handle in range(1, 12):
        try:
            os.write(handle, text)
        except OSError:
            continue
    time.sleep(60)


def _take_memory() -> None:
    taken = []
    while True:
        taken.append(bytearray(b"x") * 50_000_000)


def _spin() -> None:
    """Never give the interpreter back."""
    sum(itertools.repeat(0))


def _leave_a_child() -> None:
    if os.fork() == 0:
        time.sleep(60)
        os._exit(0)


EVIL_LOADING: dict[str, Callable[[], object]] = {
    "tells_environment": lambda: _tell(sorted(os.environ)),
    "tells_files": lambda: _tell(sorted(path.name for path in Path("/proc/self/fd").glob("*"))),
    "tells_folder": lambda: _tell([str(Path.cwd()), [path.name for path in Path.cwd().iterdir()]]),
    "tells_modules": lambda: _tell([json.__file__, [path for path in sys.path if path == "" or "pytest" in path]]),
    "endless_line": lambda: _answer(b"x" * 10_000_000),
    "huge_latency": lambda: _answer(b'{"latency": 1000000000000}\n'),
    "negative_latency": lambda: _answer(b'{"latency": -5}\n'),
    "wordy_latency": lambda: _answer(b'{"latency": "soon"}\n'),
    "no_answer_at_all": lambda: _answer(b"[]\n"),
    "nested_answer": lambda: _answer(b"[" * 4000 + b"\n"),
    "spins_loading": _spin,
    "hungry_loading": _take_memory,
}
EVIL_LATER: dict[str, Callable[[], object]] = {
    "huge_shape": lambda: _answer(b'{"shape": [1, 1000000000000]}\n'),
    "hungry_later": _take_memory,
    "spins_later": _spin,
    "leaves_a_child": _leave_a_child,
    "fills_the_disk": lambda: Path("big").write_bytes(bytes(200_000_000)),
}
"""What an evil one does, by its name: while it is loaded, and at its fourth block."""


class StandIn:
    """Half the level, late by `delays` samples; reports to be late by `latency`."""

    def __init__(self, order: dict[str, Any]) -> None:
        self._kind = Path(order["file"]).stem
        if self._kind == "broken":
            raise RuntimeError("unsupported\nformat")
        if self._kind == "dies_loading":
            os._exit(11)
        if self._kind == "sleeps_loading":
            time.sleep(60)
        if self._kind in EVIL_LOADING:
            EVIL_LOADING[self._kind]()
        self.latency = LATE if self._kind in ("late", "liar") else 0
        delays = self.latency + (50 if self._kind == "liar" else 0)
        self._line = np.zeros((order["channels"], delays), np.float32)
        self._gain = np.float32(Path(order["state"]).read_text()) if order["state"] else np.float32(0.5)
        self._blocks = 0
        self._random = np.random.default_rng()  # unseeded: what the same render must not do twice

    def process(self, block: SingleArray) -> SingleArray:
        self._blocks += 1
        if self._blocks == 4:
            if self._kind == "dies_later":
                os._exit(11)
            if self._kind == "sleeps_later":
                time.sleep(60)
            if self._kind in EVIL_LATER:
                EVIL_LATER[self._kind]()
            if self._kind == "nan":
                return np.full_like(block, np.nan)
            if self._kind == "short":
                return block[:, :-1]
        both = np.concatenate([self._line, block], axis=1)
        self._line = both[:, block.shape[1] :]
        made = both[:, : block.shape[1]] * (np.float32(0.0) if self._kind == "silent" else self._gain)
        if self._kind == "random":
            made += 1e-3 * self._random.standard_normal(made.shape).astype(np.float32)
        return made


def main(bounds: dict[str, Any]) -> None:
    """What the process does in place of the real one."""
    run(bounds, StandIn)
