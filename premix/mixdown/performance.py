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
    """Room for one block of a performance, arrays (samples,): its stem, each room before and after its gate, and in
    `sum` its share of the bus `bus`."""

    bus: str
    stem: FloatArray
    sum: FloatArray
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
        self.tracks = len(performance.mics)
        name = performance.performance

        def mic_insert(path: MicPath) -> Insert:
            return inserts.make(path.chain, f"{name}/{path.track.mic} chain", performance=performance)

        def mics(paths: tuple[MicPath, ...], start: int, gain: float = performance.gain) -> MicSum:
            levelled = [replace(path, gain=path.gain * gain) for path in paths]
            made = MicSum(levelled, plan.rate, work, start, mic_insert)
            stack.callback(made.close)
            return made

        self._chain = inserts.make(performance.chain, f"performances.{name}.chain", performance=performance)
        lead = -(-self._chain.latency_samples // HOP) * HOP
        self._chain.first = first + ahead + self._chain.latency_samples - lead
        before_chain = 1.0 if self._chain.active else performance.gain
        self._close = mics(performance.close, self._chain.first, before_chain)
        self._rooms = [
            _Room(path, performance.riff, plan.rate, mics((path,), first + ahead), work) for path in performance.rooms
        ]
        self._single = {
            f"mic_{name}_{path.track.mic}": mics((replace(path, proved=False),), first + ahead)
            for path in performance.close
            if f"mic_{name}_{path.track.mic}" in wanted
        }
        self._room_in_stem = plan.room_in_stem
        self._late = Late(ahead, plan.trim * plan.held_gain(performance.bus))
        row = np.zeros(HOP)
        for _ in range(lead // HOP):
            self._close.next(1, row)
            self._chain.process(row.copy())

    def block(self) -> PerformanceBlock:
        """Room for a block of its own."""
        rooms = [tuple(np.zeros(self._size) for _ in self._rooms) for _ in range(2)]
        return PerformanceBlock(self._performance.bus, np.zeros(self._size), np.zeros(self._size), *rooms)

    def next(self, start: int, count: int, into: PerformanceBlock) -> dict[str, FloatArray]:
        """Blocks (1, count) from `start` on of this performance's own parts, in the arrays of `into`.

        Its share of the bus is of the times from `start` + ahead on.
        """
        padded = -(-count // HOP) * HOP
        self._close.next(padded // HOP, into.stem[:padded])
        if self._chain.active:
            into.stem[:padded] = self._chain.process(into.stem[:padded])
            into.stem[:padded] *= self._performance.gain
        so_far = into.stem[:count]
        for room, before, after in zip(self._rooms, into.open, into.gated, strict=True):
            room.next(start + self._ahead, before[:padded], after[:count])
            so_far = np.add(so_far, after[:count], out=into.sum[:count])
        if not self._rooms:
            into.sum[:count] = so_far
        parts = self._parts(into, padded)
        return {name: self._late.of(name, block[None, :count]) for name, block in parts if name in self._wanted}

    def _parts(self, made: PerformanceBlock, padded: int) -> Iterable[tuple[str, FloatArray]]:
        name = self._performance.performance
        yield f"stem_{name}", made.sum if self._room_in_stem else made.stem
        for room, before, after in zip(self._rooms, made.open, made.gated, strict=True):
            label = self._performance.room_label(room.mic)
            yield f"room_{label}", after
            yield f"room_ungated_{label}", before
            yield f"mic_{name}_{room.mic}", before
        for part, mics in self._single.items():
            block = np.empty(padded)
            mics.next(padded // HOP, block)
            yield part, block

    def quiet(self) -> Iterable[RoomQuiet]:
        """How much quieter the gates made the rooms."""
        for room in self._rooms:
            yield RoomQuiet(self._performance.performance, room.mic, room.stops, room.meter.reduction_db())

    def hashes(self) -> Iterable[tuple[str, str]]:
        """Hashes of the tracks that are to be proved."""
        yield from self._close.hashes()
        for room in self._rooms:
            yield from room.hashes()


class _Room:
    """One room mic of a performance: its stream, its gate, how quiet it gets in the stops."""

    def __init__(self, path: MicPath, riff: Sequence[Span], rate: int, mics: MicSum, work: Workspace) -> None:
        assert path.curve is not None
        self.mic = path.track.mic
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
