"""The render pass gives the same samples whatever the block size."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from premix.gate.rooms import decide_gates
from premix.mixdown.plan import parts_of, plan_mix
from premix.mixdown.render import render
from premix.pipeline import prepare, thread_pool
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


class Kept:
    """A sink that keeps everything."""

    def __init__(self):
        self.blocks = {}

    def take(self, blocks):
        for part, block in blocks.items():
            self.blocks.setdefault(part, []).append(block.copy())
        return list

    def whole(self):
        return {part: np.concatenate(blocks, axis=1) for part, blocks in self.blocks.items()}


@pytest.fixture(scope="module")
def mix(tmp_path_factory):
    """A plan with every kind of mic and part; frames that fill no block evenly."""
    takes = {
        f"{name}_{mic}": riff(seed, FRAMES)
        for seed, name in enumerate(("left", "right", "centre"))
        for mic in ("dynamic", "ribbon", "sub", "room")
    }
    song = write_song(tmp_path_factory.mktemp("blocks"), RECIPE, takes)
    with prepare(song.recipe, song.tracks) as ready:
        gating = decide_gates(ready.merged.recipe, ready.tracks, ready.analysis, ready.alignment)
        plan = plan_mix(ready.merged.recipe, ready.tracks, ready.alignment, gating)
        return plan, [part.part for part in parts_of(plan, ready.merged.recipe.deliver)], gating


def rendered(mix, rows):
    """All parts, the rooms' reductions, and the sizes of the blocks."""
    plan, parts, gating = mix
    sink = Kept()
    mixed = render(plan, parts, gating, sink, rows=rows)
    return sink.whole(), mixed.quiet, [block.shape[1] for block in sink.blocks["guitars"]]


def test_block_size_changes_no_bit_of_any_part(mix):
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


def test_only_what_is_wanted_is_made(mix):
    """A sink gets the parts it asked for, and those are the same as among all."""
    plan, _, gating = mix
    sink = Kept()
    render(plan, ["stem_left", "guitars"], gating, sink)
    whole = sink.whole()
    assert set(whole) == {"stem_left", "guitars"}
    everything, _, _ = rendered(mix, 30)
    np.testing.assert_array_equal(whole["guitars"], everything["guitars"])
    np.testing.assert_array_equal(whole["stem_left"], everything["stem_left"])


def test_progress_adds_up_to_the_work(mix):
    """What is told on the way is frames x tracks."""
    plan, parts, gating = mix
    told = []
    render(plan, parts, gating, Kept(), progress=told.append)
    assert sum(told) == FRAMES * 12


class KeptLate(Kept):
    """A sink that uses a block at the last moment: when it is asked to be done with it."""

    def take(self, blocks):
        return lambda: Kept.take(self, blocks)


@pytest.mark.parametrize("threads", [1, 2])
def test_a_block_stays_what_it_is_until_the_sink_is_done_with_it(mix, threads):
    """While the sink still has one block, threads mix the next two: none of them may lie in its arrays."""
    plan, parts, gating = mix
    expected, _, _ = rendered(mix, 5)
    sink = KeptLate()
    with thread_pool(threads) as pool:
        render(plan, parts, gating, sink, rows=5, pool=pool)
    for part, samples in sink.whole().items():
        np.testing.assert_array_equal(samples, expected[part], err_msg=part)


def test_a_sink_that_fails_at_the_last_block_is_heard(mix):
    """Its error comes out, though nothing is taken after that block."""
    plan, parts, gating = mix

    class Failing(Kept):
        def take(self, blocks):
            def written():
                raise OSError("no room")

            super().take(blocks)
            return written if sum(b.shape[1] for b in self.blocks["guitars"]) == FRAMES else list

    with ThreadPoolExecutor(2) as pool, pytest.raises(OSError, match="no room"):
        render(plan, parts, gating, Failing(), rows=5, pool=pool)
