"""Second-order sections by scipy's compiled loop alone."""

import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from scipy.signal import butter, sosfilt, sosfilt_zi

from premix.audio import filters as section_filter
from premix.audio.filters import SectionFilter, compiled_loop, portable_loop

SECTIONS = np.vstack([butter(2, 40.0, "highpass", fs=48000, output="sos"), butter(4, 5000.0, fs=48000, output="sos")])


def noise(channels: int, frames: int) -> np.ndarray:
    return np.random.default_rng(5).standard_normal((channels, frames))


@pytest.mark.parametrize("loop", [compiled_loop(), portable_loop], ids=["compiled", "portable"])
def test_blocks_are_filtered_as_scipy_filters_the_whole(
    loop: section_filter.Loop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bit for bit what scipy.signal.sosfilt gives for the whole signal, in blocks of any size."""
    monkeypatch.setattr(section_filter, "compiled_loop", lambda: loop)
    x = noise(3, 5000)
    running = SectionFilter(SECTIONS, 3)
    pieces = []
    for start, stop in ((0, 1), (1, 700), (700, 700), (700, 5000)):
        piece = x[:, start:stop].copy()
        running.run(piece)
        pieces.append(piece)
    assert np.array_equal(np.concatenate(pieces, axis=1), sosfilt(SECTIONS, x))


def test_the_compiled_loop_is_there_and_brings_nothing_along() -> None:
    """With the scipy that the tests run on the private module must still be found, without scipy.signal itself."""
    code = (
        "import sys; from premix.audio.filters import compiled_loop; assert compiled_loop() is not None;"
        "assert 'scipy.signal' not in sys.modules;"
        "import scipy.signal; scipy.signal.sosfilt([[1, 0, 0, 1, 0, 0]], [1.0])"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_threads_that_filter_first_load_the_compiled_loop_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A second try while the first is under way would fail, and bring scipy.signal along."""
    tries = []

    def slow(loop: object) -> bool:
        tries.append(loop)
        time.sleep(0.05)
        return True

    monkeypatch.setattr(section_filter, "_works", slow)
    compiled_loop.cache_clear()
    try:
        with ThreadPoolExecutor(4) as pool:
            loops = list(pool.map(lambda _: section_filter.section_loop(), range(4)))
    finally:
        compiled_loop.cache_clear()
    assert len(tries) == 1
    assert set(loops) == set(tries)


@pytest.mark.parametrize(
    "broken",
    [
        lambda sections, samples, state: None,
        lambda sections, samples: None,
        lambda sections, samples, state: samples.__imul__(0.5),
    ],
)
def test_a_changed_loop_is_not_used(broken: object, monkeypatch: pytest.MonkeyPatch) -> None:
    """A private module may change with any release of scipy: then the public function does the work."""
    module = type(sys)("changed")
    module._sosfilt = broken  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "scipy.signal._sosfilt", module)
    compiled_loop.cache_clear()
    try:
        assert compiled_loop() is None
    finally:
        compiled_loop.cache_clear()


def test_settled_filters_start_without_a_step() -> None:
    """The state of a level that has stood for ever is scipy's sosfilt_zi (1e-12: rounding)."""
    running = SectionFilter(SECTIONS, 2)
    running.settle(np.array([0.25, -1.0]))
    expected = sosfilt_zi(SECTIONS)[None] * np.array([0.25, -1.0])[:, None, None]
    assert np.allclose(running.state, expected, rtol=0.0, atol=1e-12)


def test_silence_ends_in_true_zeros() -> None:
    """After sound and 20 s of digital silence the state is zero, not denormal numbers that cost time for ever."""
    running = SectionFilter(SECTIONS)
    running.run(noise(1, 1000))
    for _ in range(100):
        running.run(np.zeros((1, 9600)))
    assert not running.state.any()
