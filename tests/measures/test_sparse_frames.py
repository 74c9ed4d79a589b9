"""Frames for spectra: all at first, fewer later, weights that stand for the whole."""

import numpy as np

from premix.measures.frames import SparseFrames


def taken(size: int, most: int, frames: int, block: int) -> list[tuple[int, int]]:
    """(weight, first sample) of the frames taken from a ramp fed in blocks."""
    cutter = SparseFrames(1, size, most)
    ramp = np.arange(frames, dtype=np.float64)[None]
    found = []
    for at in range(0, frames, block):
        for weight, frame in cutter.feed(ramp[:, at : at + block]):
            np.testing.assert_array_equal(frame[0], frame[0, 0] + np.arange(size))
            found.append((weight, int(frame[0, 0])))
    return found


def test_the_stride_doubles_after_every_few_frames() -> None:
    """Three frames of 10 at stride 1, three at 2, then 4; each weighs what it stands for."""
    found = taken(size=10, most=3, frames=200, block=200)
    assert found == [(1, 0), (1, 10), (1, 20), (2, 30), (2, 50), (2, 70), (4, 90), (4, 130), (4, 170)]


def test_the_frames_do_not_depend_on_the_blocks() -> None:
    """Blocks of 1, 7 and 1000 give the same frames."""
    expected = taken(10, 2, 500, 500)
    assert all(taken(10, 2, 500, block) == expected for block in (1, 7, 1000))


def test_an_hour_takes_few_frames_that_stand_for_it() -> None:
    """10,000 frames at 100 a level: under 800 are taken, and their weights add up to within one stride."""
    found = taken(4, 100, 40_000, 4096)
    assert len(found) < 800
    assert abs(sum(weight for weight, _ in found) - 10_000) <= 128
