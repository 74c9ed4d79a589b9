"""Second-order sections at work on a stream, by scipy's compiled loop alone.

`import scipy.signal` costs 0.7 s of CPU time and 70 MB, nearly all of it for what is not used here, so the one
compiled module that `scipy.signal.sosfilt` calls is loaded by itself. It is private, so it is proved on a few samples
first; where it is missing or has changed, `scipy.signal.sosfilt` does the work, with the same results.
"""

import functools
import sys
import threading
from collections.abc import Callable

import numpy as np

from premix.model.analysis import FloatArray

Loop = Callable[[FloatArray, FloatArray, FloatArray], None]
"""(sections (n, 6), samples (channels, frames), state (channels, n, 2)); samples and state change in place."""

_COMPILED = "scipy.signal._sosfilt"
_TINY = 1e-200
_LOADING = threading.Lock()
"""A compiled module loads once a process: a second thread that tried meanwhile would fall back on scipy.signal."""


class SectionFilter:
    """Sections (n, 6) in series on `channels` channels; rows (b0, b1, b2, a0 = 1, a1, a2) as in scipy.signal."""

    def __init__(self, sections: FloatArray, channels: int = 1) -> None:
        self._sections = np.ascontiguousarray(sections, np.float64)
        self.state = np.zeros((channels, len(sections), 2))

    def run(self, samples: FloatArray) -> None:
        """Filter the next block (channels, frames), C-contiguous, in place."""
        if samples.size and len(self._sections):
            section_loop()(self._sections, samples, self.state)
            # In digital silence the state would sink into denormal numbers, which are slow, and stay there.
            self.state[np.abs(self.state) < _TINY] = 0.0

    def settle(self, levels: FloatArray) -> None:
        """The state as if each channel had stood at its level (channels,) for ever."""
        for number, (b0, b1, b2, _, a1, a2) in enumerate(self._sections):
            after = levels * (b0 + b1 + b2) / (1.0 + a1 + a2)
            self.state[:, number, 1] = b2 * levels - a2 * after
            self.state[:, number, 0] = b1 * levels - a1 * after + self.state[:, number, 1]
            levels = after


def section_loop() -> Loop:
    """The loop to use; sections, samples and state must be C-contiguous."""
    with _LOADING:
        return compiled_loop() or portable_loop


def portable_loop(sections: FloatArray, samples: FloatArray, state: FloatArray) -> None:
    """The public way."""
    from scipy.signal import sosfilt

    samples[:], after = sosfilt(sections, samples, zi=state.transpose(1, 0, 2))
    state[:] = after.transpose(1, 0, 2)


@functools.cache
def compiled_loop() -> Loop | None:
    """The compiled loop, None where it cannot be had or does not do what it should."""
    from importlib.machinery import PathFinder
    from importlib.util import find_spec, module_from_spec

    try:
        module = sys.modules.get(_COMPILED)
        if module is None:
            package = find_spec("scipy.signal")  # imports scipy, but not scipy.signal
            spec = PathFinder.find_spec(_COMPILED, package.submodule_search_locations) if package else None
            if spec is None or spec.loader is None:
                return None
            module = module_from_spec(spec)
            spec.loader.exec_module(module)
        loop: Loop = module._sosfilt
        return loop if _works(loop) else None
    except (ImportError, AttributeError, TypeError, ValueError):
        return None


def _works(loop: Loop) -> bool:
    """Whether it filters two impulses and leaves the state that goes on from there."""
    sections = np.array([[0.5, 0.25, 0.125, 1.0, -0.5, 0.25]])
    samples, state = np.array([[1.0, 0.0], [0.0, 1.0]]), np.zeros((2, 1, 2))
    loop(sections, samples, state)
    return bool(
        np.array_equal(samples, [[0.5, 0.5], [0.0, 0.5]])
        and np.array_equal(state[:, 0], [[0.25, -0.125], [0.5, 0.0]])
    )
