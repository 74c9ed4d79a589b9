"""The render pass gives the same samples whatever the block size."""

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from premix.arrays import FloatArray
from premix.mixdown.render import render
from premix.model.mix import MixPlan, RoomQuiet
from premix.pipeline import thread_pool
from tests.rigs.mixes import Kept, kept_mix, mixed_whole, planned
from tests.rigs.sessions import riff, write_song

FRAMES = 100_003
RECIPE = """\
format: 1
mics:
  dynamic: {high_pass_hz: 60, polarity: normal, delay: none}
  ribbon: {gain_db: -3, polarity: inverted, delay: {samples: 6.37}}
  sub: {role: sub, low_pass_hz: 180, polarity: normal, delay: {samples: -30.2}}
  room: {role: room, gain_db: -6, polarity: normal}
performances:
  left: {bus: left, gain_db: -3}
  right: {bus: right}
  centre: {bus: centre}
buses: {right: {pan: 0.6}}
guitar_bus: {width: 1.4}
deliver: {room: both, files: [stems, rooms, rooms_ungated, buses, guitar_bus, aligned_mics, guitar_bus_without_centre]}
"""


Planned = tuple[MixPlan, list[str]]


@pytest.fixture(scope="module")
def mix(tmp_path_factory: pytest.TempPathFactory) -> Planned:
    """A plan with every kind of mic and part; frames that fill no block evenly."""
    takes = {
        f"{name}_{mic}": riff(seed, FRAMES)
        for seed, name in enumerate(("left", "right", "centre"))
        for mic in ("dynamic", "ribbon", "sub", "room")
    }
    return planned(write_song(tmp_path_factory.mktemp("blocks"), RECIPE, takes))


def rendered(mix: Planned, rows: int) -> tuple[dict[str, FloatArray], tuple[RoomQuiet, ...], list[int]]:
    """All parts, the rooms' reductions, and the sizes of the blocks."""
    sink, mixed = kept_mix(*mix, rows=rows)
    return sink.whole(), mixed.quiet, [block.shape[1] for block in sink.blocks["guitars"]]


def test_block_size_changes_no_bit_of_any_part(mix: Planned) -> None:
    """1, 5 and 30 rows a block: every sample of every part is equal, filters, gates and sums included."""
    whole, quiet, sizes = rendered(mix, 30)
    assert set(whole) == set(mix[1])
    assert sum(sizes) == FRAMES
    for rows in (1, 5):
        other, other_quiet, other_sizes = rendered(mix, rows)
        assert max(other_sizes) < max(sizes)
        for part, samples in whole.items():
            np.testing.assert_array_equal(other[part], samples, err_msg=part)
        assert [(q.performance, q.mic, q.stops) for q in other_quiet] == [
            (q.performance, q.mic, q.stops) for q in quiet
        ]
        # The mean over the same frames, added up in another order.
        assert [q.reduction_db for q in other_quiet] == pytest.approx([q.reduction_db for q in quiet], abs=1e-9)


def test_only_what_is_wanted_is_made(mix: Planned) -> None:
    """A sink gets the parts it asked for, and those are the same as among all."""
    whole = mixed_whole(mix[0], ["stem_left", "guitars"])
    assert set(whole) == {"stem_left", "guitars"}
    everything, _, _ = rendered(mix, 30)
    np.testing.assert_array_equal(whole["guitars"], everything["guitars"])
    np.testing.assert_array_equal(whole["stem_left"], everything["stem_left"])


def test_progress_adds_up_to_the_work(mix: Planned) -> None:
    """What is told on the way is frames x tracks."""
    told: list[int] = []
    render(*mix, Kept(), progress=told.append)
    assert sum(told) == FRAMES * 12


class KeptLate(Kept):
    """A sink that uses a block at the last moment: when it is asked to be done with it."""

    def take(self, blocks: Mapping[str, FloatArray]) -> Callable[[], object]:
        return lambda: Kept.take(self, blocks)


@pytest.mark.parametrize("threads", [1, 2])
def test_a_block_stays_what_it_is_until_the_sink_is_done_with_it(mix: Planned, threads: int) -> None:
    """While the sink still has one block, threads mix the next two: none of them may lie in its arrays."""
    expected = mixed_whole(*mix, rows=5)
    sink = KeptLate()
    with thread_pool(threads) as pool:
        render(*mix, sink, rows=5, pool=pool)
    for part, samples in sink.whole().items():
        np.testing.assert_array_equal(samples, expected[part], err_msg=part)


def test_a_sink_that_fails_at_the_last_block_is_heard(mix: Planned) -> None:
    """Its error comes out, though nothing is taken after that block."""

    class Failing(Kept):
        def take(self, blocks: Mapping[str, FloatArray]) -> Callable[[], object]:
            def written() -> None:
                raise OSError("no room")

            super().take(blocks)
            return written if sum(b.shape[1] for b in self.blocks["guitars"]) == FRAMES else list

    with ThreadPoolExecutor(2) as pool, pytest.raises(OSError, match="no room"):
        render(*mix, Failing(), rows=5, pool=pool)
