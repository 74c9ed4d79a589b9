"""Mixes in memory: the plan of a song on disk as a render makes it, and its parts as arrays."""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor

import numpy as np

from premix.arrays import FloatArray
from premix.gate.rooms import decide_gates
from premix.mixdown.plan import parts_of, plan_mix
from premix.mixdown.render import ROWS, Mixed, render
from premix.model.mix import MixPlan
from premix.pipeline import prepare
from tests.rigs.sessions import Song


class Kept:
    """A sink that keeps everything."""

    def __init__(self) -> None:
        self.blocks: dict[str, list[FloatArray]] = {}

    def take(self, blocks: Mapping[str, FloatArray]) -> Callable[[], object]:
        for part, block in blocks.items():
            self.blocks.setdefault(part, []).append(block.copy())
        return list

    def whole(self) -> dict[str, FloatArray]:
        return {part: np.concatenate(blocks, axis=1) for part, blocks in self.blocks.items()}


def planned(song: Song, settings: Sequence[str] = ()) -> tuple[MixPlan, list[str]]:
    """The mix of a song without a room that follows its key, and the names of the parts that it delivers."""
    with prepare(song.recipe, song.tracks, settings=settings) as ready:
        decided = decide_gates(ready.song)
        plan = plan_mix(decided)
        return plan, [part.part for part in parts_of(plan, decided.deliver)]


def mixed_whole(
    plan: MixPlan, parts: Sequence[str], *, rows: int = ROWS, pool: Executor | None = None
) -> dict[str, FloatArray]:
    """Every part (channels, frames) from the song's first sample to its last."""
    return kept_mix(plan, parts, rows=rows, pool=pool)[0].whole()


def kept_mix(
    plan: MixPlan, parts: Sequence[str], *, rows: int = ROWS, pool: Executor | None = None
) -> tuple[Kept, Mixed]:
    """Every block of every part, and what else the mix leaves."""
    sink = Kept()
    return sink, render(plan, parts, sink, rows=rows, pool=pool)
