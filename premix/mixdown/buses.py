"""Performances to buses, buses to the stereo guitar bus."""

from collections.abc import Sequence
from itertools import cycle

import numpy as np

from premix.arrays import FloatArray
from premix.audio.filters import DelayLine
from premix.audio.gains import apply_width
from premix.mixdown.inserts import Inserts, Late
from premix.mixdown.mic_sum import HOP
from premix.mixdown.performance import PerformanceBlock
from premix.model.mix import MixPlan
from premix.model.settings import CENTRE_BUS


class BusMixer:
    """The buses and the guitar buses that are wanted.

    sets: how many blocks in a row have arrays of their own. ahead: samples by which it must be fed before the files,
    for what its chains delay.
    """

    def __init__(self, plan: MixPlan, wanted: set[str], rows: int, inserts: Inserts, sets: int = 1) -> None:
        self._plan, self._wanted = plan, wanted
        self._chains = {bus.name: inserts.make(bus.chain, f"buses.{bus.name}.chain") for bus in plan.buses}
        names = {"guitars": None, "guitars_without_centre": CENTRE_BUS}
        self._guitars = {
            name: (without, inserts.make(plan.guitar_bus.chain, "guitar_bus.chain", 2))
            for name, without in names.items()
            if name in wanted
        }
        size = rows * HOP
        self._sets = cycle(
            ({bus.name: np.zeros(size) for bus in plan.buses}, {name: np.zeros((2, size)) for name in self._guitars})
            for _ in range(sets)
        )
        self._buses, self._sides = next(self._sets)
        self._panned = np.zeros(size)
        self._guitar_latency = max((chain.latency_samples for _, chain in self._guitars.values()), default=0)
        longest = max((chain.latency_samples for chain in self._chains.values()), default=0)
        self._even = {n: DelayLine(1, longest - chain.latency_samples) for n, chain in self._chains.items()}
        self._late = Late(self._guitar_latency, plan.trim * plan.held_gain())
        self._out = Late(0, plan.trim)
        self.ahead = longest + self._guitar_latency

    def begin(self, first: int) -> None:
        """The time of the first block's first sample, so that keys lie at the right place."""
        for chain in self._chains.values():
            chain.first = first + self._guitar_latency + chain.latency_samples
        for _, chain in self._guitars.values():
            chain.first = first + self._guitar_latency

    def next(self, blocks: Sequence[PerformanceBlock], count: int) -> dict[str, FloatArray]:
        """The next blocks of the buses (1, count) and guitar buses (2, count) that are wanted."""
        self._buses, self._sides = next(self._sets)
        for bus in self._plan.buses:
            block = self._buses[bus.name][:count]
            shares = [share.sums[bus.name][:count] for share in blocks if bus.name in share.sums]
            block[:] = shares[0] if shares else 0.0  # none: what goes there is switched off
            for other in shares[1:]:
                block += other
            if self.ahead or self._chains[bus.name].active:
                even = self._even[bus.name].process(block[None])
                block[:] = self._chains[bus.name].process(even)[0]
            if bus.gain != 1.0:
                block *= bus.gain
        made = {
            f"bus_{name}": self._late.of(name, block[None, :count])
            for name, block in self._buses.items()
            if f"bus_{name}" in self._wanted
        }
        for name, (without, chain) in self._guitars.items():
            stereo = self._stereo(name, without, count)
            if chain.active:
                stereo[:] = chain.process(stereo)
            if self._plan.guitar_bus.gain != 1.0:
                stereo *= self._plan.guitar_bus.gain
            made[name] = self._out.of(name, stereo)
        return made

    def _stereo(self, name: str, without: str | None, count: int) -> FloatArray:
        stereo, panned = self._sides[name][:, :count], self._panned[:count]
        buses = [bus for bus in self._plan.buses if bus.name != without]
        for out, gains in zip(stereo, ([b.left for b in buses], [b.right for b in buses]), strict=True):
            heard = [(self._buses[b.name][:count], gain) for b, gain in zip(buses, gains, strict=True) if gain != 0.0]
            if not heard:
                out[:] = 0.0
            for number, (block, gain) in enumerate(heard):
                if number == 0:
                    np.multiply(block, gain, out=out)
                else:
                    out += np.multiply(block, gain, out=panned)
        apply_width(stereo, self._plan.guitar_bus.width)
        return stereo
