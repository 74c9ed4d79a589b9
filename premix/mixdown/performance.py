"""One performance in the mix: close mics to the stem, room mics through their gates, and how quiet these make them."""

from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
import numpy.typing as npt

from premix.arrays import FloatArray
from premix.audio.gains import curve_gain
from premix.mixdown.inserts import Insert, Inserts, Late
from premix.mixdown.mic_sum import HOP, MicSum, Workspace
from premix.model.gate import Span
from premix.model.mix import MicPath, MixPlan, PerformancePlan, RoomQuiet
from premix.units import s_to_samples

FRAME = 480
"""Samples of one level frame (10 ms at 48 kHz); it divides the render's hop, so blocking changes nothing."""
MOST_DB = 140.0


class QuietMeter:
    """Mean level difference, in dB, over the frames of one room mic that lie in the stops of its riff.

    stops: (S, 2) first sample of every stop and of the passage after it, on the common time line, ascending.
    A mean of levels, not of energies: the ear hears how deep a stop is and how long, and the first milliseconds
    of a decaying room would hide both in a mean of energies.
    """

    def __init__(self, stops: npt.NDArray[np.int64]) -> None:
        self._stops = stops
        self._sum_db = 0.0
        self._frames = 0

    def feed(self, start: int, before: FloatArray, after: FloatArray) -> None:
        """Take the room's samples from `start` on, before and after the gate, both (n,)."""
        count = len(before) // FRAME
        places = start + FRAME * np.arange(count)
        stop = np.searchsorted(self._stops[:, 0], places, side="right") - 1
        inside = stop >= 0
        inside[inside] = places[inside] + FRAME <= self._stops[stop[inside], 1]
        levels = [block[: count * FRAME].reshape(count, FRAME)[inside] for block in (before, after)]
        energy, left = (np.vecdot(frames, frames) for frames in levels)
        heard = energy > 0.0
        with np.errstate(divide="ignore"):  # a gate that shuts to nothing
            quieter_db = np.minimum(-10.0 * np.log10(left[heard] / energy[heard]), MOST_DB)
        for level_db in quieter_db.tolist():  # one by one, so that blocks change nothing
            self._sum_db += level_db
        self._frames += len(quieter_db)

    def reduction_db(self) -> float | None:
        """How much quieter, as a positive number of dB; None without sound in stops."""
        return self._sum_db / self._frames if self._frames else None


@dataclass(frozen=True, slots=True)
class PerformanceBlock:
    """Room for one block of a performance, arrays (samples,): its stems, each room before and after its gate, and in
    `sums` its share of each bus that it goes to."""

    stems: tuple[FloatArray, ...]
    sums: dict[str, FloatArray]
    open: tuple[FloatArray, ...]
    gated: tuple[FloatArray, ...]


class PerformanceMixer:
    """Runs `ahead` samples before the files, for what the chains of the buses delay.

    first: time at which the first block begins. stack: closes what is opened.
    """

    def __init__(
        self,
        plan: MixPlan,
        performance: PerformancePlan,
        wanted: set[str],
        *,
        rows: int,
        work: Workspace,
        first: int,
        ahead: int,
        inserts: Inserts,
        stack: ExitStack,
    ) -> None:
        self._performance, self._wanted, self._ahead = performance, wanted, ahead
        self._size = rows * HOP
        self.tracks = performance.tracks
        name = performance.performance

        def mic_insert(path: MicPath) -> Insert:
            return inserts.make(path.chain, f"{name}/{path.track.mic} chain", performance=performance)

        def mics(paths: tuple[MicPath, ...], start: int, gain: float = performance.gain) -> MicSum:
            levelled = [replace(path, gain=path.gain * gain) for path in paths]
            made = MicSum(levelled, plan.rate, work, start, mic_insert)
            stack.callback(made.close)
            return made

        def stem(paths: tuple[MicPath, ...]) -> _Stem:
            chain = inserts.make(performance.chain, f"performances.{name}.chain", performance=performance)
            lead = -(-chain.latency_samples // HOP) * HOP
            chain.first = first + ahead + chain.latency_samples - lead
            before_chain = 1.0 if chain.active else performance.gain
            return _Stem(mics(paths, chain.first, before_chain), chain, performance.gain, lead)

        self._stems = [stem(one.close) for one in performance.stems]
        self._rooms = [
            _Room(path, performance.riff, plan.rate, mics((path,), first + ahead), work) for path in performance.rooms
        ]
        self._single = {
            f"mic_{name}_{path.track.mic}": (
                path.bus or performance.bus,
                mics((replace(path, proved=False),), first + ahead),
            )
            for path in performance.close
            if f"mic_{name}_{path.track.mic}" in wanted
        }
        self._room_in_stem = plan.room_in_stem
        self._dis = {  # as recorded, at their own time: neither trimmed nor ahead
            part: mics((path,), first, 1.0)
            for path in performance.dis
            if (part := f"di_{performance.di_label(path.track.mic)}") in wanted
        }
        buses = {performance.bus, *performance.buses}
        self._late = {bus: Late(ahead, plan.trim * plan.held_gain(bus)) for bus in buses}

    def block(self) -> PerformanceBlock:
        """Room for a block of its own."""

        def arrays(count: int) -> tuple[FloatArray, ...]:
            return tuple(np.zeros(self._size) for _ in range(count))

        buses = sorted(self._performance.buses)
        sums = dict(zip(buses, arrays(len(buses)), strict=True))
        return PerformanceBlock(arrays(len(self._stems)), sums, arrays(len(self._rooms)), arrays(len(self._rooms)))

    def next(self, start: int, count: int, into: PerformanceBlock) -> dict[str, FloatArray]:
        """Blocks (1, count) from `start` on of this performance's own parts, in the arrays of `into`.

        Its shares of the buses are of the times from `start` + ahead on.
        """
        padded = -(-count // HOP) * HOP
        so_far: dict[str, FloatArray] = {}
        for stem, plan, block in zip(self._stems, self._performance.stems, into.stems, strict=True):
            stem.next(block[:padded])
            self._add(plan.bus, block[:count], so_far, into)
        for room, before, after in zip(self._rooms, into.open, into.gated, strict=True):
            room.next(start + self._ahead, before[:padded], after[:count])
            self._add(room.bus or self._performance.bus, after[:count], so_far, into)
        for bus, block in so_far.items():
            if not np.may_share_memory(block, into.sums[bus]):
                into.sums[bus][:count] = block
        parts = self._parts(into, padded)
        made = {
            name: self._late[bus].of(name, block[None, :count]) for name, bus, block in parts if name in self._wanted
        }
        return made | {name: block[None, :count] for name, block in self._as_recorded(padded)}

    @staticmethod
    def _add(bus: str, block: FloatArray, so_far: dict[str, FloatArray], into: PerformanceBlock) -> None:
        """One signal more for a bus: the first stays where it is until there is another."""
        first = so_far.get(bus)
        so_far[bus] = block if first is None else np.add(first, block, out=into.sums[bus][: len(block)])

    def _parts(self, made: PerformanceBlock, padded: int) -> Iterable[tuple[str, str, FloatArray]]:
        """Name, bus and block of every part that is made of these mics."""
        name, own_bus = self._performance.performance, self._performance.bus
        whole = f"stem_{name}"
        if self._room_in_stem:
            yield whole, own_bus, made.sums[own_bus]
        else:
            stems = self._performance.stems
            for stem, block in zip(stems, made.stems, strict=True):
                yield f"stem_{stem.label}", stem.bus, block
            if whole not in {f"stem_{stem.label}" for stem in stems} and whole in self._wanted:
                yield whole, own_bus, np.sum(made.stems, axis=0) if made.stems else np.zeros(self._size)
        for room, before, after in zip(self._rooms, made.open, made.gated, strict=True):
            label, bus = self._performance.room_label(room.mic), room.bus or own_bus
            yield f"room_{label}", bus, after
            yield f"room_ungated_{label}", bus, before
            yield f"mic_{name}_{room.mic}", bus, before
        for part, (bus, mics) in self._single.items():
            block = np.empty(padded)
            mics.next(padded // HOP, block)
            yield part, bus, block

    def _as_recorded(self, padded: int) -> Iterable[tuple[str, FloatArray]]:
        for part, mics in self._dis.items():
            block = np.empty(padded)
            mics.next(padded // HOP, block)
            yield part, block

    def quiet(self) -> Iterable[RoomQuiet]:
        """How much quieter the gates made the rooms."""
        for room in self._rooms:
            yield RoomQuiet(self._performance.performance, room.mic, room.stops, room.meter.reduction_db())

    def hashes(self) -> Iterable[tuple[str, str]]:
        """Hashes of the tracks that are to be proved."""
        for stem in self._stems:
            yield from stem.hashes()
        for room in self._rooms:
            yield from room.hashes()


class _Stem:
    """One stem of a performance: its mics, its chain, its gain. lead: samples that the chain is late, in whole rows."""

    def __init__(self, mics: MicSum, chain: Insert, gain: float, lead: int) -> None:
        self._mics, self._chain, self._gain = mics, chain, gain
        row = np.zeros(HOP)
        for _ in range(lead // HOP):
            self._mics.next(1, row)
            self._chain.process(row.copy())

    def hashes(self) -> Iterable[tuple[str, str]]:
        return self._mics.hashes()

    def next(self, out: FloatArray) -> None:
        """The next block, whole rows."""
        self._mics.next(len(out) // HOP, out)
        if self._chain.active:
            out[:] = self._chain.process(out)
            out *= self._gain


class _Room:
    """One room mic of a performance: its stream, its gate, how quiet it gets in the stops."""

    def __init__(self, path: MicPath, riff: Sequence[Span], rate: int, mics: MicSum, work: Workspace) -> None:
        assert path.curve is not None
        self.mic, self.bus = path.track.mic, path.bus
        self._curve = path.curve
        self._mics, self._work = mics, work
        edges_s = list(chain.from_iterable(riff))[1:-1]
        stops = np.fromiter((round(s_to_samples(edge_s, rate)) for edge_s in edges_s), np.int64).reshape(-1, 2)
        self.meter = QuietMeter(stops)
        self.stops = len(stops)

    def hashes(self) -> Iterable[tuple[str, str]]:
        return self._mics.hashes()

    def next(self, start: int, before: FloatArray, after: FloatArray) -> None:
        """The next block, before (whole rows) and after the gate (what is wanted of them), from time `start` on."""
        count = len(after)
        self._mics.next(len(before) // HOP, before)
        gain = self._work.gate[:count]
        steady = curve_gain(self._curve, start, gain)
        np.multiply(before[:count], gain if steady is None else steady, out=after)
        self.meter.feed(start, before[:count], after)
