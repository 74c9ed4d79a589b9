"""Chains in the mix: made for their place, given their keys, closed together; and parts held back for them."""

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace

import numpy as np

from premix.arrays import FloatArray
from premix.audio.filters import DelayLine
from premix.errors import Finding, Problem, RecipeError
from premix.mixdown.mic_sum import HOP, MicSum, Workspace
from premix.model.mix import MicPath, MixPlan, PerformancePlan
from premix.model.settings import Chain
from premix.processors.base import KeySource, Setting
from premix.processors.chains import RunningChain


class Late:
    """Holds each part back by `samples` and multiplies it by `trim`; does nothing for 0 and 1."""

    def __init__(self, samples: int, trim: float) -> None:
        self._samples, self._trim = samples, trim
        self._lines: dict[str, DelayLine] = {}

    def of(self, part: str, block: FloatArray) -> FloatArray:
        """The next block (channels, n) of a part."""
        if self._samples:
            line = self._lines.setdefault(part, DelayLine(len(block), self._samples))
            block = line.process(block)
        return block if self._trim == 1.0 else block * self._trim


class Insert:
    """One chain in the mix. first: time of the first sample that it is given; set before it runs."""

    def __init__(self, chain: Chain, setting: Setting, key: Callable[[str, int], KeySource]) -> None:
        self.first = 0
        self.active = bool(chain)
        self._key_from = key
        self._running = RunningChain(chain, replace(setting, key=self._key))
        self.latency_samples = self._running.latency_samples
        self.findings = self._running.findings
        self.close = self._running.close

    def process(self, block: FloatArray) -> FloatArray:
        """The next block, (channels, n) or (n,); `block` may be overwritten."""
        return self._running.process(np.atleast_2d(block)).reshape(block.shape)

    def _key(self, name: str, lag: int) -> KeySource:
        """The key, opened with the first sample that is asked of it: until then `first` may change."""
        source: KeySource | None = None

        def following(count: int) -> FloatArray:
            nonlocal source
            source = source or self._key_from(name, self.first - lag)
            return source(count)

        return following


class Inserts:
    """Makes the chains of one render; a context manager that closes them.

    A key reaches its processor by a reader of its own: the mic (at unity) or the close mics of the performance are
    read once more, aligned as in the mix, before any chain. So performances need not wait for each other.
    """

    def __init__(self, plan: MixPlan) -> None:
        self._plan = plan
        self._made: list[Insert] = []
        self._stack = ExitStack()

    def __enter__(self) -> "Inserts":
        return self

    def __exit__(self, *error: object) -> None:
        self._stack.close()

    def make(self, chain: Chain, where: str, channels: int = 1, performance: PerformancePlan | None = None) -> Insert:
        """An insert; performance: whose mics may be its keys."""

        def key(name: str, start: int) -> KeySource:
            return self._key(name, start, performance, where)

        made = Insert(chain, Setting(self._plan.rate, channels, where), key)
        self._stack.callback(made.close)
        self._made.append(made)
        return made

    def findings(self) -> tuple[Finding, ...]:
        """What the chains have to say once the song is through; each thing once."""
        return tuple(dict.fromkeys(finding for made in self._made for finding in made.findings()))

    def _key(self, name: str, start: int, performance: PerformancePlan | None, where: str) -> KeySource:
        paths = self._key_paths(name, performance)
        if not paths:
            raise RecipeError(Problem("chain-no-key", where, f"there is no key '{name}'"))
        mics = MicSum([replace(path, chain=(), proved=False) for path in paths], self._plan.rate, Workspace(1), start)
        self._stack.callback(mics.close)
        return _Following(mics).next

    def _key_paths(self, name: str, performance: PerformancePlan | None) -> list[MicPath]:
        if performance is not None:
            for path in (*performance.mics, *performance.unheard):
                if path.track.mic == name:
                    return [replace(path, gain=1.0, polarity=1)]
        return [path for other in self._plan.performances if other.performance == name for path in other.close]


class _Following:
    """Any number of samples at a time from a sum that gives rows."""

    def __init__(self, mics: MicSum) -> None:
        self._mics = mics
        self._rest = np.zeros(0)

    def next(self, count: int) -> FloatArray:
        pieces = [self._rest]
        missing = count - len(self._rest)
        while missing > 0:
            row = np.empty(HOP)
            self._mics.next(1, row)
            pieces.append(row)
            missing -= HOP
        samples = np.concatenate(pieces)
        self._rest = samples[count:]
        return samples[:count]
