"""The render pass: every block of every mic to stems, rooms, buses and the guitar bus, read once, in order."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from itertools import cycle
from typing import Protocol

from premix.arrays import FloatArray
from premix.mixdown.buses import BusMixer
from premix.mixdown.inserts import Inserts
from premix.mixdown.mic_sum import HOP, Workspace
from premix.mixdown.performance import PerformanceBlock, PerformanceMixer
from premix.model.finding import Finding
from premix.model.gate import Gating
from premix.model.mix import MixPlan, RoomQuiet
from premix.threads import Begun, SideBySide

ROWS = 60
"""Rows of HOP samples a block (115,200 samples): twice as long is no faster."""
Progress = Callable[[int], None]


class Sink(Protocol):
    """Where finished blocks go: one call a block of time, in order, with (channels, n) of every part.

    `take` may only begin to use a block; calling what it gives waits for the end, and comes before the next block.
    """

    def take(self, blocks: Mapping[str, FloatArray]) -> Callable[[], object]: ...


@dataclass(frozen=True, slots=True)
class Mixed:
    """What a render pass leaves besides the blocks."""

    quiet: tuple[RoomQuiet, ...]
    findings: tuple[Finding, ...]


def render(
    plan: MixPlan,
    parts: Sequence[str],
    gating: Gating,
    sink: Sink,
    *,
    pool: Executor | None = None,
    rows: int = ROWS,
    progress: Progress = lambda samples: None,
) -> Mixed:
    """Run the mix through `sink` in blocks; the samples do not depend on `rows` or on the threads of `pool`.

    parts: names of the parts the sink wants, as `parts_of` names them. progress: told how many samples of tracks
    were mixed since the last call. What the chains delay is read ahead, so that every part keeps its time: the
    blocks before time zero only fill the chains of the buses.
    """
    wanted = set(parts)
    with ExitStack() as stack, Inserts(plan) as inserts:
        buses = BusMixer(plan, wanted, rows, inserts, 2 if pool else 1)
        first = -buses.ahead // HOP * HOP
        buses.begin(first)
        work = Workspace(rows)
        mixers = [
            PerformanceMixer(
                plan,
                p,
                gating,
                wanted,
                rows=rows,
                work=work,
                first=first,
                ahead=buses.ahead,
                inserts=inserts,
                stack=stack,
            )
            for p in plan.performances
        ]
        jobs = stack.enter_context(SideBySide(pool))
        tracks = sum(mixer.tracks for mixer in mixers)
        taken: Callable[[], object] = list
        for start, count, blocks in _mixed(mixers, buses, _spans(first, plan.frames, rows * HOP), jobs):
            if start >= 0:
                taken()
                taken = sink.take(blocks)
                if not jobs.threaded:  # the next block takes the place of this one
                    taken()
                    taken = list
                progress(count * tracks)
        taken()
        return Mixed(tuple(quiet for mixer in mixers for quiet in mixer.quiet()), inserts.findings())


def _spans(first: int, frames: int, size: int) -> Iterator[tuple[int, int]]:
    """Start and length of every block: from `first` to zero, then of the song."""
    for start, stop in ((first, 0), (0, frames)):
        yield from ((at, min(size, stop - at)) for at in range(start, stop, size))


def _mixed(
    mixers: Sequence[PerformanceMixer], buses: BusMixer, spans: Iterator[tuple[int, int]], work: SideBySide
) -> Iterator[tuple[int, int, dict[str, FloatArray]]]:
    """Start, length and parts of every block. With threads, this one is being used until the next is asked for and
    has come, and the one after that is being mixed already."""
    sets = cycle([mixer.block() for mixer in mixers] for _ in range(3 if work.threaded else 1))

    def begin(span: tuple[int, int] | None, into: Sequence[PerformanceBlock]) -> Begun[dict[str, FloatArray]]:
        return work.begin([partial(m.next, *span, i) for m, i in zip(mixers, into, strict=True)] if span else [])

    span, shares = next(spans, None), next(sets)
    mixed = begin(span, shares)
    while span is not None:
        blocks = {part: block for made in mixed() for part, block in made.items()}
        following, filling = next(spans, None), next(sets)
        mixed = begin(following, filling)
        blocks.update(buses.next(shares, span[1]))
        yield *span, blocks
        span, shares = following, filling
