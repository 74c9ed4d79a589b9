"""The most likely states, and the floor and loud level of a block: against plain recursions and numpy's own figures."""

import itertools

import numpy as np
import numpy.typing as npt
import pytest

from premix.gate.floor_and_loud import AROUND, BLOCK, loud_levels, moved_floors
from premix.gate.following import CHANGE, SLIGHT_CHANGE, most_likely

COST = np.array([[0.0, SLIGHT_CHANGE, CHANGE], [SLIGHT_CHANGE, 0.0, CHANGE], [CHANGE, CHANGE, 0.0]])


def total(scores: npt.NDArray[np.float64], path: npt.NDArray[np.int32] | tuple[int, ...]) -> float:
    """Sum of scores along a path, less what its changes cost."""
    path = np.asarray(path)
    return float(scores[np.arange(len(path)), path].sum() - COST[path[:-1], path[1:]].sum())


@pytest.mark.parametrize("frames", range(1, 8))
def test_no_path_is_better(frames: int) -> None:
    """All 3^n of them."""
    rng = np.random.default_rng(frames)
    for _ in range(20):
        scores = rng.normal(0.0, 4.0, (frames, 3))
        best = max(total(scores, path) for path in itertools.product(range(3), repeat=frames))
        assert total(scores, most_likely(scores)) == pytest.approx(best)


@pytest.mark.parametrize("frames", [50, 1000, 10_007])
def test_long_ones_are_as_good_as_the_plain_recursion_finds(frames: int) -> None:
    """Rabiner 1989, III.B: the highest total of any path, frame after frame."""
    rng = np.random.default_rng(frames)
    scores = rng.normal(0.0, 3.0, (frames, 3)) + 4.0 * np.eye(3)[np.arange(frames) // 37 % 3]
    reached = scores[0]
    for row in scores[1:]:
        reached = (reached[:, None] - COST).max(axis=0) + row
    path = most_likely(scores)
    assert path.shape == (frames,)
    assert total(scores, path) == pytest.approx(float(reached.max()))


def test_the_loud_level_is_the_90th_percentile_of_a_blocks_guitar() -> None:
    """Of three blocks alike (numpy's percentile), whatever else they hold."""
    rng = np.random.default_rng(2)
    block = rng.normal(-20.0, 6.0, BLOCK)
    guitar = rng.uniform(size=BLOCK) < 0.4
    level = np.where(guitar, block, 0.0)
    found = loud_levels(np.tile(level, 3), np.tile(guitar, 3), 0.0)
    assert found == pytest.approx(np.full(3, np.percentile(block[guitar], 90)))


def test_a_floor_is_the_mean_of_the_rests_around() -> None:
    """Those of four blocks to either side and not more than 6 dB over their median; blocks without any stay."""
    rng = np.random.default_rng(3)
    level = rng.normal(-60.0, 2.0, 12 * BLOCK)
    rest = rng.uniform(size=level.size) < 0.2
    rest[: 2 * BLOCK] = False
    floor, spread = moved_floors(level, rest, np.full(12, -80.0), np.ones(12))
    for block in (1, 6, 11):
        around = slice(max(0, block - AROUND) * BLOCK, (block + AROUND + 1) * BLOCK)
        near = level[around][rest[around]]
        near = near[near < np.median(near) + 6.0]
        assert (floor[block], spread[block]) == pytest.approx((near.mean(), near.std()))
    nothing, _ = moved_floors(level, np.zeros(level.size, bool), np.full(12, -80.0), np.ones(12))
    assert nothing == pytest.approx(np.full(12, -80.0))
