"""A stand-in for the process that holds a plug-in: the same protocol, and misbehaviour by name."""

import os
import time
from pathlib import Path
from typing import Any

import numpy as np

from premix.arrays import SingleArray
from premix.processors.plug_in_worker import run

LATE = 100


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


if __name__ == "__main__":
    run(StandIn)
