"""One performance in the mix: close mics to the stem, room mics through their gates."""

from collections.abc import Iterable
from contextlib import ExitStack
from itertools import pairwise

import numpy as np

from premix.dsp.gate_ramp import curve_gain
from premix.mixdown.inserts import Insert, Inserts
from premix.mixdown.late import Late
from premix.mixdown.mic_stream import HOP
from premix.mixdown.quiet import QuietMeter
from premix.mixdown.stem import MicSum
from premix.model.analysis import FloatArray
from premix.model.gate import Gating
from premix.model.render import MicPath, MixPlan, PerformancePlan, RoomQuiet
from premix.units import s_to_samples


class PerformanceMixer:
    """Runs `ahead` samples before the files, for what the chains of the buses delay.

    first: time at which the first block begins. stack: closes what is opened.
    """

    def __init__(
        self,
        plan: MixPlan,
        performance: PerformancePlan,
        gating: Gating,
        wanted: set[str],
        *,
        rows: int,
        first: int,
        ahead: int,
        inserts: Inserts,
        stack: ExitStack,
    ) -> None:
        self._performance, self._wanted, self._ahead = performance, wanted, ahead
        self.bus = performance.bus
        self.tracks = len(performance.close) + len(performance.rooms)
        name = performance.performance

        def mic_insert(path: MicPath) -> Insert:
            return inserts.make(path.chain, f"{name}/{path.track.mic} chain", performance=performance)

        def mics(paths: tuple[MicPath, ...], start: int) -> MicSum:
            made = MicSum(paths, plan.rate, rows, start, mic_insert)
            stack.callback(made.close)
            return made

        self._chain = inserts.make(performance.chain, f"performances.{name}.chain", performance=performance)
        lead = -(-self._chain.latency_samples // HOP) * HOP
        self._chain.first = first + ahead + self._chain.latency_samples - lead
        self._close = mics(performance.close, self._chain.first)
        self._rooms = [_Room(path, gating, plan.rate, rows, mics((path,), first + ahead)) for path in performance.rooms]
        self._single = {
            f"mic_{name}_{path.track.mic}": mics((path,), first + ahead)
            for path in performance.close
            if f"mic_{name}_{path.track.mic}" in wanted
        }
        self._stem = np.zeros(rows * HOP)
        self.sum = np.zeros(rows * HOP)
        self._room_in_stem = plan.room_in_stem
        self._late = Late(ahead, plan.trim)
        for _ in range(lead // HOP):
            self._close.next(1, self._stem[:HOP])
            self._chain.process(self._stem[:HOP].copy())

    def next(self, start: int, count: int) -> dict[str, FloatArray]:
        """Blocks (1, count) from `start` on of this performance's own parts.

        Leaves its share of the bus in `sum`, of the times from `start` + ahead on.
        """
        padded = -(-count // HOP) * HOP
        self._close.next(padded // HOP, self._stem[:padded])
        if self._chain.active:
            self._stem[:padded] = self._chain.process(self._stem[:padded])
        self._stem[:padded] *= self._performance.gain
        self.sum[:count] = self._stem[:count]
        for room in self._rooms:
            room.next(start + self._ahead, padded, count, self._performance.gain)
            self.sum[:count] += room.gated[:count]
        return {n: self._late.of(n, block) for n, block in self._parts(padded, count) if n in self._wanted}

    def _parts(self, padded: int, count: int) -> Iterable[tuple[str, FloatArray]]:
        name = self._performance.performance
        stem = self.sum if self._room_in_stem else self._stem
        yield f"stem_{name}", stem[None, :count]
        for room in self._rooms:
            label = name if len(self._rooms) == 1 else f"{name}_{room.mic}"
            yield f"room_{label}", room.gated[None, :count]
            yield f"room_ungated_{label}", room.open[None, :count]
            yield f"mic_{name}_{room.mic}", room.open[None, :count]
        for part, mics in self._single.items():
            block = np.empty(padded)
            mics.next(padded // HOP, block)
            yield part, block[None, :count] * self._performance.gain

    def quiet(self) -> Iterable[RoomQuiet]:
        """How much quieter the gates made the rooms."""
        for room in self._rooms:
            yield RoomQuiet(self._performance.performance, room.mic, room.stops, room.meter.reduction_db())


class _Room:
    """One room mic of a performance: its stream, its gate, how quiet it gets in the stops."""

    def __init__(self, path: MicPath, gating: Gating, rate: int, rows: int, mics: MicSum) -> None:
        assert path.curve is not None
        self.mic = path.track.mic
        self.curve = path.curve
        self.open = np.zeros(rows * HOP)
        self.gated = np.zeros(rows * HOP)
        self._mics = mics
        self._gain = np.zeros(rows * HOP)
        spans = gating.riff_of(path.track.performance).spans
        stops = [(a[1], b[0]) for a, b in pairwise(spans)]
        self.meter = QuietMeter([(round(s_to_samples(a, rate)), round(s_to_samples(b, rate))) for a, b in stops])
        self.stops = len(stops)

    def next(self, start: int, padded: int, count: int, gain: float) -> None:
        """The next block, before and after the gate, its first sample at time `start`."""
        self._mics.next(padded // HOP, self.open[:padded])
        self.open[:padded] *= gain
        steady = curve_gain(self.curve, start, self._gain[:count])
        np.multiply(self.open[:count], self._gain[:count] if steady is None else steady, out=self.gated[:count])
        self.meter.feed(start, self.open[:count], self.gated[:count])
