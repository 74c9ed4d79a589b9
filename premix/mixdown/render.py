"""The render pass: every block of every mic to stems, rooms, buses and the guitar bus, read once, in order."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from itertools import pairwise
from typing import Protocol

import numpy as np

from premix.dsp.gate_ramp import curve_gain
from premix.dsp.pan import apply_width
from premix.mixdown.mic_stream import HOP
from premix.mixdown.quiet import QuietMeter
from premix.mixdown.stem import MicSum
from premix.model.analysis import FloatArray
from premix.model.gate import Gating
from premix.model.recipe import CENTRE_BUS
from premix.model.render import MicPath, MixPlan, PerformancePlan, RoomQuiet
from premix.units import s_to_samples

ROWS = 30
"""Rows of HOP samples a block (57,600 samples): fast, and small enough for every cache and memory."""
Progress = Callable[[int], None]


class Sink(Protocol):
    """Where finished blocks go: one call a block of time, in order, with (channels, n) of every part."""

    def take(self, blocks: Mapping[str, FloatArray]) -> None: ...


def render(
    plan: MixPlan,
    parts: Sequence[str],
    gating: Gating,
    sink: Sink,
    *,
    pool: Executor | None = None,
    rows: int = ROWS,
    progress: Progress = lambda samples: None,
) -> tuple[RoomQuiet, ...]:
    """Run the mix through `sink` in blocks; the samples do not depend on `rows` or on the threads of `pool`.

    parts: names of the parts the sink wants, as `parts_of` names them. progress: told how many samples of tracks
    were mixed since the last call.
    """
    wanted = set(parts)
    with ExitStack() as stack:
        mixers = [_PerformanceMixer(plan, p, gating, wanted, rows) for p in plan.performances]
        for mixer in mixers:
            stack.callback(mixer.close)
        buses = _BusMixer(plan, wanted, rows)
        tracks = sum(mixer.tracks for mixer in mixers)
        for start in range(0, plan.frames, rows * HOP):
            count = min(rows * HOP, plan.frames - start)
            blocks: dict[str, FloatArray] = {}
            for made in _each(pool, mixers, start, count):
                blocks.update(made)
            blocks.update(buses.next(mixers, count))
            sink.take(blocks)
            progress(count * tracks)
    return tuple(quiet for mixer in mixers for quiet in mixer.quiet())


def _each(
    pool: Executor | None, mixers: Sequence["_PerformanceMixer"], start: int, count: int
) -> Iterable[dict[str, FloatArray]]:
    """Every performance's block; they share nothing, so they may run side by side."""
    if pool is None:
        return [mixer.next(start, count) for mixer in mixers]
    return pool.map(lambda mixer: mixer.next(start, count), mixers)


class _Room:
    """One room mic of a performance: its stream, its gate, how quiet it gets in the stops."""

    def __init__(self, path: MicPath, gating: Gating, rate: int, rows: int) -> None:
        assert path.curve is not None
        self.mic = path.track.mic
        self.curve = path.curve
        self.sum = MicSum([path], rate, rows)
        self.open = np.zeros(rows * HOP)
        self.gated = np.zeros(rows * HOP)
        self._gain = np.zeros(rows * HOP)
        spans = gating.riff_of(path.track.performance).spans
        stops = [(a[1], b[0]) for a, b in pairwise(spans)]
        self.meter = QuietMeter([(round(s_to_samples(a, rate)), round(s_to_samples(b, rate))) for a, b in stops])
        self.stops = len(stops)

    def next(self, start: int, padded: int, count: int, gain: float) -> None:
        self.sum.next(padded // HOP, self.open[:padded])
        self.open[:padded] *= gain
        steady = curve_gain(self.curve, start, self._gain[:count])
        np.multiply(self.open[:count], self._gain[:count] if steady is None else steady, out=self.gated[:count])
        self.meter.feed(start, self.open[:count], self.gated[:count])


class _PerformanceMixer:
    """Close mics to the stem, room mics through their gates."""

    def __init__(
        self, plan: MixPlan, performance: PerformancePlan, gating: Gating, wanted: set[str], rows: int
    ) -> None:
        self._plan, self._performance, self._wanted = plan, performance, wanted
        self.bus = performance.bus
        self.tracks = len(performance.close) + len(performance.rooms)
        self._close = MicSum(performance.close, plan.rate, rows)
        self._rooms = [_Room(path, gating, plan.rate, rows) for path in performance.rooms]
        single = f"mic_{performance.performance}_"
        self._single = {
            single + path.track.mic: MicSum([path], plan.rate, rows)
            for path in performance.close if single + path.track.mic in wanted
        }
        self._stem = np.zeros(rows * HOP)
        self.sum = np.zeros(rows * HOP)

    def close(self) -> None:
        for mics in (self._close, *self._single.values(), *(room.sum for room in self._rooms)):
            mics.close()

    def next(self, start: int, count: int) -> dict[str, FloatArray]:
        """Blocks (1, count) of this performance's own parts; leaves its share of the bus in `sum`."""
        padded = -(-count // HOP) * HOP
        self._close.next(padded // HOP, self._stem[:padded])
        self._stem[:padded] *= self._performance.gain
        self.sum[:count] = self._stem[:count]
        for room in self._rooms:
            room.next(start, padded, count, self._performance.gain)
            self.sum[:count] += room.gated[:count]
        trim = self._plan.trim
        made = ((name, block) for name, block in self._parts(padded, count) if name in self._wanted)
        return {name: block if trim == 1.0 else block * trim for name, block in made}

    def _parts(self, padded: int, count: int) -> Iterable[tuple[str, FloatArray]]:
        name = self._performance.performance
        stem = self.sum if self._plan.room_in_stem else self._stem
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
        for room in self._rooms:
            yield RoomQuiet(self._performance.performance, room.mic, room.stops, room.meter.reduction_db())


class _BusMixer:
    """Performances to buses, buses to the stereo guitar bus."""

    def __init__(self, plan: MixPlan, wanted: set[str], rows: int) -> None:
        self._plan, self._wanted = plan, wanted
        self._buses = {bus.name: np.zeros(rows * HOP) for bus in plan.buses}

    def next(self, mixers: Sequence[_PerformanceMixer], count: int) -> dict[str, FloatArray]:
        """Blocks of the buses (1, count) and guitar buses (2, count) that are wanted."""
        for bus in self._plan.buses:
            block = self._buses[bus.name][:count]
            block[:] = 0.0
            for mixer in mixers:
                if mixer.bus == bus.name:
                    block += mixer.sum[:count]
            block *= bus.gain * self._plan.trim
        made = {f"bus_{name}": block[None, :count] for name, block in self._buses.items()}
        for name, without in (("guitars", None), ("guitars_without_centre", CENTRE_BUS)):
            if name in self._wanted:
                made[name] = self._stereo(count, without)
        return {name: block for name, block in made.items() if name in self._wanted}

    def _stereo(self, count: int, without: str | None) -> FloatArray:
        stereo = np.zeros((2, count))
        for bus in self._plan.buses:
            if bus.name != without:
                for side, gain in enumerate((bus.left, bus.right)):
                    if gain != 0.0:
                        stereo[side] += gain * self._buses[bus.name][:count]
        apply_width(stereo, self._plan.width)
        if self._plan.guitar_gain != 1.0:
            stereo *= self._plan.guitar_gain
        return stereo
