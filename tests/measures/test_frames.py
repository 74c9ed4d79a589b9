"""Frames for spectra: all at first, fewer later, weights that stand for the whole."""

import numpy as np
from scipy.signal import get_window

from premix.measures.frames import SparseSpectra


def taken(size: int, most: int, frames: int, block: int) -> list[tuple[int, int]]:
    """(weight, first sample) of the frames taken from a ramp fed in blocks, told by their spectra."""
    sparse = SparseSpectra(1, size, most)
    assert sparse.size == size
    ramp, window = np.arange(frames, dtype=np.float64)[None], get_window("hann", size)
    found = []
    for at in range(0, frames, block):
        for weight, spectra in sparse.feed(ramp[:, at : at + block]):
            first = round((spectra[0, 0].real - window @ np.arange(size)) / window.sum())
            np.testing.assert_allclose(spectra[0], np.fft.rfft(window * (first + np.arange(size))), atol=1e-9 * frames)
            found.append((weight, first))
    return found


def test_the_stride_doubles_after_every_few_frames() -> None:
    """Three frames of 8 at stride 1, three at 2, then 4; each weighs what it stands for."""
    found = taken(size=8, most=3, frames=160, block=160)
    assert found == [(1, 0), (1, 8), (1, 16), (2, 24), (2, 40), (2, 56), (4, 72), (4, 104), (4, 136)]


def test_the_frames_do_not_depend_on_the_blocks() -> None:
    """Blocks of 1, 7 and 1000 give the same frames."""
    expected = taken(8, 2, 500, 500)
    assert all(taken(8, 2, 500, block) == expected for block in (1, 7, 1000))


def test_an_hour_takes_few_frames_that_stand_for_it() -> None:
    """10,000 frames at 100 a level: under 800 are taken, and their weights add up to within one stride."""
    found = taken(4, 100, 40_000, 4096)
    assert len(found) < 800
    assert abs(sum(weight for weight, _ in found) - 10_000) <= 128


def test_a_frame_is_the_next_power_of_two() -> None:
    """As long as is asked for, or longer."""
    assert [SparseSpectra(1, least).size for least in (1.0, 4.0, 4.5, 13_714.3)] == [1, 4, 8, 16_384]
