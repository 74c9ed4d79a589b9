"""The process that holds one plug-in: orders and samples come in on standard input, answers go out on a pipe.

Every order is one line of JSON, and for a block its samples after it, as little-endian float32, channel after
channel. Every answer has the same form. What the plug-in itself prints goes to standard error.
"""

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO, Protocol

import numpy as np

from premix.arrays import SingleArray
from premix.processors.plug_in_process import Contained


class Effect(Protocol):
    """What is served: a latency in samples, and blocks in, blocks out."""

    latency: int

    def process(self, block: SingleArray) -> SingleArray: ...


Loader = Callable[[dict[str, Any]], Effect]
"""Makes the effect that an order names: file, name, state, rate, channels."""


class _Loaded:
    """A plug-in of the library, which after a reset keeps back as many samples as the plug-in reports to be late."""

    def __init__(self, order: dict[str, Any]) -> None:
        self._rate = order["rate"]
        shape = (order["channels"], order["rate"])
        came = _load(order).process(np.zeros(shape, np.float32), self._rate, reset=False)
        self.latency = shape[1] - came.shape[1]
        self._waiting = np.zeros((shape[0], self.latency), np.float32)
        self._plug_in = _load(order)  # a fresh one: not every plug-in forgets when it is told to

    def process(self, block: SingleArray) -> SingleArray:
        came = self._plug_in.process(block, self._rate, buffer_size=block.shape[1], reset=False)
        both = np.concatenate([self._waiting, came], axis=1)
        self._waiting = both[:, block.shape[1] :]
        return both[:, : block.shape[1]]


def _load(order: dict[str, Any]) -> Any:
    import pedalboard  # slow to import

    if order["name"] is not None and Path(order["file"]).suffix.lower() == ".vst3":
        names = pedalboard.VST3Plugin.get_plugin_names_for_file(order["file"])
        if order["name"] not in names:  # the library takes no notice of the name where there is only one
            raise ValueError(f"it holds no '{order['name']}', but {', '.join(names)}")
    plug_in: Any = pedalboard.load_plugin(order["file"], plugin_name=order["name"])
    if not plug_in.is_effect:
        raise ValueError("it is an instrument, not an effect")
    state = Path(order["state"]) if order["state"] else None
    if state is not None and state.suffix == ".vstpreset":
        plug_in.load_preset(str(state))
    elif state is not None:
        plug_in.raw_state = state.read_bytes()
    plug_in.reset()  # without it the library leaves the latency in
    return plug_in


def _answer(answers: BinaryIO, head: dict[str, Any], samples: bytes = b"") -> None:
    answers.write(json.dumps(head).encode() + b"\n" + samples)
    answers.flush()


def run(bounds: dict[str, Any], load: Loader = _Loaded) -> None:
    """Load what the first order names, then answer block after block until the orders end, on this process's own pipes;
    standard output is left to whatever the plug-in prints. bounds: those of `Contained`."""
    contained = Contained(**bounds)
    orders, answers = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    first = orders.readline()
    contained.begin()
    try:
        effect = load(json.loads(first))
    except Exception as error:
        _answer(answers, {"error": " ".join(str(error).split())[:300] or type(error).__name__})
        return
    contained.end()
    _answer(answers, {"latency": effect.latency})
    while line := orders.readline():
        channels, count = json.loads(line)["shape"]
        block = np.frombuffer(orders.read(4 * channels * count), "<f4").reshape(channels, count)
        contained.begin()
        made = np.ascontiguousarray(effect.process(block.copy()), "<f4")
        contained.end()
        _answer(answers, {"shape": made.shape}, made.tobytes())


def main(bounds: dict[str, Any]) -> None:
    """What the process does that `PlugInProcess` starts."""
    run(bounds)
