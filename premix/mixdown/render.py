"""The mix, written once: every block of every mic to stems, rooms, buses and the guitar bus, read once, in order.

The render pass runs all of it through a sink; an excerpt gives any stretch of it, switched or not, chains and gates
included, for players, pictures and comparisons.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from itertools import count, cycle
from typing import Protocol

import numpy as np

from premix.arrays import FloatArray
from premix.errors import Finding
from premix.mixdown.buses import BusMixer
from premix.mixdown.inserts import Inserts
from premix.mixdown.mic_sum import HOP, Workspace
from premix.mixdown.performance import PerformanceBlock, PerformanceMixer
from premix.model.mix import MixPlan, PerformancePlan, RoomQuiet
from premix.threads import Begun, SideBySide
from premix.units import s_to_samples

ROWS = 60
"""Rows of HOP samples a block (115,200 samples): twice as long is no faster."""
WIDE, LEAST_ROWS = 8, 10
"""With more performances than this blocks get shorter, so that all of them together take no more memory."""
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
    hashes: tuple[tuple[str, str], ...] = ()


class Mix:
    """The mix of a plan, block by block from one time on; a context manager that closes its tracks and chains.

    parts: names of the parts that are wanted, as `parts_of` names them. begin: time of the first sample, a multiple of
    HOP. rows: of HOP samples a block; the samples do not depend on them, nor on the threads of `pool`.
    """

    def __init__(
        self, plan: MixPlan, parts: Sequence[str], *, begin: int = 0, rows: int = ROWS, pool: Executor | None = None
    ) -> None:
        wanted = set(parts)
        self._begin, self._size = begin, rows * HOP
        with ExitStack() as stack:
            self._inserts = stack.enter_context(Inserts(plan))
            self._buses = BusMixer(plan, wanted, rows, self._inserts, 2 if pool else 1)
            # What the chains delay is read ahead, so that every part keeps its time.
            self._first = begin + -self._buses.ahead // HOP * HOP
            self._buses.begin(self._first)
            work = Workspace(rows)

            def mixer(performance: PerformancePlan) -> PerformanceMixer:
                return PerformanceMixer(
                    plan,
                    performance,
                    wanted,
                    rows=rows,
                    work=work,
                    first=self._first,
                    ahead=self._buses.ahead,
                    inserts=self._inserts,
                    stack=stack,
                )

            heard = {bus.name for bus in plan.buses}
            self._mixers = [mixer(p) for p in plan.performances if p.buses & heard]
            self._work = stack.enter_context(SideBySide(pool))
            self._stack = stack.pop_all()
        self.tracks = sum(mixer.tracks for mixer in self._mixers)
        self.threaded = self._work.threaded

    def __enter__(self) -> "Mix":
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def close(self) -> None:
        self._stack.close()

    def blocks(self, end: int | None = None) -> Iterator[tuple[int, dict[str, FloatArray]]]:
        """(length, parts) of every block in order, to `end` (None: as long as they are asked for).

        With threads, a block may be used until the next is asked for and has come, and the one after that is being
        mixed already; else the next one takes its place.
        """
        sets = cycle([mixer.block() for mixer in self._mixers] for _ in range(3 if self.threaded else 1))
        spans = self._spans(end)
        span, shares = next(spans, None), next(sets)
        mixed = self._start(span, shares)
        while span is not None:
            made = {part: block for parts in mixed() for part, block in parts.items()}
            following, filling = next(spans, None), next(sets)
            mixed = self._start(following, filling)
            made.update(self._buses.next(shares, span[1]))
            if span[0] >= self._begin:
                yield span[1], made
            span, shares = following, filling

    def _start(self, span: tuple[int, int] | None, into: Sequence[PerformanceBlock]) -> Begun[dict[str, FloatArray]]:
        mixers = zip(self._mixers, into, strict=True)
        return self._work.begin([partial(mixer.next, *span, block) for mixer, block in mixers] if span else [])

    def _spans(self, end: int | None) -> Iterator[tuple[int, int]]:
        """Start and length of every block: those before the first one that counts only fill the chains of the buses."""
        for start in range(self._first, self._begin, self._size):
            yield start, min(self._size, self._begin - start)
        for start in count(self._begin, self._size) if end is None else range(self._begin, end, self._size):
            yield start, self._size if end is None else min(self._size, end - start)

    def mixed(self) -> Mixed:
        """What else the mix leaves, once its blocks are through."""
        quiet = tuple(quiet for mixer in self._mixers for quiet in mixer.quiet())
        return Mixed(quiet, self._inserts.findings(), tuple(one for mixer in self._mixers for one in mixer.hashes()))


def render(
    plan: MixPlan,
    parts: Sequence[str],
    sink: Sink,
    *,
    pool: Executor | None = None,
    rows: int | None = None,
    progress: Progress = lambda samples: None,
) -> Mixed:
    """Run the whole mix through `sink`.

    rows: of HOP samples a block; None: as many as are fast and fit. progress: told how many samples of tracks were
    mixed since the last call.
    """
    with Mix(plan, parts, rows=rows or _rows(plan), pool=pool) as mix:
        taken: Callable[[], object] = list
        for length, blocks in mix.blocks(plan.frames):
            taken()
            taken = sink.take(blocks)
            if not mix.threaded:  # the next block takes the place of this one
                taken()
                taken = list
            progress(length * mix.tracks)
        taken()
        return mix.mixed()


def _rows(plan: MixPlan) -> int:
    return max(LEAST_ROWS, min(ROWS, ROWS * WIDE // max(1, len(plan.performances))))


CHAIN_RUN_IN_S = 10.0
"""So long before the stretch its chains begin to run: compressors and gates have forgotten what came before."""
_ROWS = 6


class Excerpt:
    """Parts of a mix from `start` (a sample of the common time line) on; a context manager.

    What is read nulls against the files that a render of the same plan writes: rows of the transforms lie at the same
    places of the time line, and filters and chains run in before the stretch. Only the stretch and the run-in are read.
    """

    def __init__(self, plan: MixPlan, parts: Sequence[str], start: int) -> None:
        run_in = round(s_to_samples(CHAIN_RUN_IN_S, plan.rate)) if plan.has_chain else 0
        begin = max(0, start - run_in) // HOP * HOP
        self._parts, self._skip = tuple(parts), start - begin
        self._mix = Mix(plan, parts, begin=begin, rows=_ROWS)
        self._blocks = self._mix.blocks()
        self._rest: dict[str, FloatArray] = {}

    def __enter__(self) -> "Excerpt":
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def close(self) -> None:
        self._mix.close()

    def next(self, count: int) -> dict[str, FloatArray]:
        """The next `count` samples of every part, (channels, count)."""
        pieces: dict[str, list[FloatArray]] = {part: [] for part in self._parts}
        missing = count
        while missing:
            if not self._rest:
                _, blocks = next(self._blocks)
                self._rest = {part: blocks[part] for part in self._parts}
            held = next(iter(self._rest.values())).shape[1]
            skipped = min(self._skip, held)
            taken = min(missing, held - skipped)
            for part, block in self._rest.items():
                pieces[part].append(block[:, skipped : skipped + taken].copy())
            left = skipped + taken < held
            self._rest = {part: block[:, skipped + taken :] for part, block in self._rest.items()} if left else {}
            self._skip -= skipped
            missing -= taken
        return {part: np.concatenate(piece, axis=1) for part, piece in pieces.items()}
