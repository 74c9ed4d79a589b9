"""Butterworth filters of any order as second-order sections, without the second that `import scipy.signal` takes.

Poles evenly on the unit circle, bilinear transform with pre-warping (Oppenheim & Schafer, Discrete-Time Signal
Processing, ch. 7); band-pass by s -> (s^2 + w^2) / (b s). Rows are (b0, b1, b2, a0 = 1, a1, a2), as in scipy.signal.

Second-order sections of a mic's own filters: Butterworth high- and low-pass, and the rotating all-pass.

Bilinear transform with pre-warping (Oppenheim & Schafer, Discrete-Time Signal Processing, ch. 7; all-pass as in
Zolzer, DAFX, ch. 2). Sections are rows (b0, b1, b2, a0 = 1, a1, a2), the layout of scipy.signal.

Second-order sections at work on a stream, by scipy's compiled loop alone.

`import scipy.signal` costs 0.7 s of CPU time and 70 MB, nearly all of it for what is not used here, so the one
compiled module that `scipy.signal.sosfilt` calls is loaded by itself. It is private, so it is proved on a few samples
first; where it is missing or has changed, `scipy.signal.sosfilt` does the work, with the same results.

The frequency response of a long impulse response at any frequencies, in a few products of matrices.
"""

import cmath
import functools
import math
import sys
import threading
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from premix.arrays import ComplexArray, FloatArray
from premix.audio import filters as butterworth
from premix.model.alignment import AllPass


def high_pass(cutoff_hz: float, order: int, rate: float) -> FloatArray:
    """Sections (n, 6): -3.01 dB at the cutoff, 6.02 dB an octave for each order below it."""
    k = _warped(cutoff_hz, rate)
    rows = [_section((1.0, -2.0, 1.0), (1.0 + d * k + k * k, 2.0 * (k * k - 1.0), 1.0 - d * k + k * k))
            for d in _dampings(order)]  # fmt: skip
    if order % 2:
        rows.append(_section((1.0, -1.0, 0.0), (1.0 + k, k - 1.0, 0.0)))
    return np.array(rows)


def low_pass(cutoff_hz: float, order: int, rate: float) -> FloatArray:
    """Sections (n, 6): -3.01 dB at the cutoff, 6.02 dB an octave for each order above it."""
    k = _warped(cutoff_hz, rate)
    kk = k * k
    rows = [_section((kk, 2.0 * kk, kk), (1.0 + d * k + kk, 2.0 * (kk - 1.0), 1.0 - d * k + kk))
            for d in _dampings(order)]  # fmt: skip
    if order % 2:
        rows.append(_section((k, k, 0.0), (1.0 + k, k - 1.0, 0.0)))
    return np.array(rows)


def band_pass(low_hz: float, high_hz: float, order: int, rate: float) -> FloatArray:
    """Sections (order, 6): -3.01 dB at both edges, 6.02 dB an octave for each order far beyond them."""
    low, high = _warped(low_hz, rate), _warped(high_hz, rate)
    width, square = high - low, low * high
    pairs = []  # (-2 real part, squared size) of each pair of poles
    for d in _dampings(order):
        pole = width * complex(-d / 2.0, math.sqrt(1.0 - d * d / 4.0))
        root = cmath.sqrt(pole * pole - 4.0 * square)
        pairs += [(-2.0 * p.real, abs(p) ** 2) for p in ((pole + root) / 2.0, (pole - root) / 2.0)]
    if order % 2:
        pairs.append((width, square))
    return np.array(
        [
            _section((width, 0.0, -width), (1.0 + turn + size, 2.0 * (size - 1.0), 1.0 - turn + size))
            for turn, size in pairs
        ]
    )


def _warped(frequency_hz: float, rate: float) -> float:
    return math.tan(math.pi * frequency_hz / rate)


def _dampings(order: int) -> list[float]:
    """d of each s^2 + d s + 1, the dullest first; an odd order has s + 1 besides."""
    return [2.0 * math.cos(math.pi * (order - 1 - 2 * i) / (2 * order)) for i in reversed(range(order // 2))]


def _section(b: tuple[float, float, float], a: tuple[float, float, float]) -> list[float]:
    return [c / a[0] for c in (*b, *a)]


Sections = npt.NDArray[np.float64]
NO_SECTIONS: Sections = np.zeros((0, 6))


def mic_sections(
    rate: float, high_pass_hz: float | None = None, low_pass_hz: float | None = None, rotation: AllPass | None = None
) -> Sections:
    """All sections (n, 6) of one mic, in order; (0, 6) when it has no filter."""
    filters = []
    if high_pass_hz is not None:
        filters.append(butterworth.high_pass(high_pass_hz, 2, rate))
    if low_pass_hz is not None:
        filters.append(butterworth.low_pass(low_pass_hz, 2, rate))
    if rotation is not None:
        filters.append(np.array([_all_pass(rotation, rate)]))
    return np.concatenate(filters) if filters else NO_SECTIONS


def _all_pass(rotation: AllPass, rate: float) -> list[float]:
    """Phase 0 at DC falling to -180 degrees (order 1) or -360 degrees (order 2) at Nyquist; half way at the corner."""
    k = math.tan(math.pi * rotation.corner_hz / rate)
    if rotation.order == 1:
        c = (k - 1.0) / (k + 1.0)
        return [c, 1.0, 0.0, 1.0, c, 0.0]
    norm = 1.0 / (1.0 + k / rotation.q + k * k)
    a1, a2 = 2.0 * (k * k - 1.0) * norm, (1.0 - k / rotation.q + k * k) * norm
    return [a2, a1, 1.0, 1.0, a1, a2]


def sections_response(sections: Sections, freqs_hz: npt.NDArray[np.float64], rate: int) -> npt.NDArray[np.complex128]:
    """Complex response (F) of the sections in series; ones for no sections."""
    z = np.exp(-2j * np.pi * freqs_hz / rate)
    response = np.ones(len(freqs_hz), np.complex128)
    for b0, b1, b2, _, a1, a2 in sections:
        response *= (b0 + b1 * z + b2 * z * z) / (1.0 + a1 * z + a2 * z * z)
    return response


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
        np.array_equal(samples, [[0.5, 0.5], [0.0, 0.5]]) and np.array_equal(state[:, 0], [[0.25, -0.125], [0.5, 0.0]])
    )


_PIECE, _ROWS = 256, 64


def fir_response(taps: FloatArray, freqs_hz: FloatArray, rate: int) -> ComplexArray:
    """(F) sum of taps[n] e^(-j 2 pi f n / rate), of taps (n,): pieces by themselves, then Horner's rule over them."""
    pieces = np.pad(taps, (0, -len(taps) % _PIECE)).reshape(-1, _PIECE)
    turn = -2j * np.pi / rate * freqs_hz
    within, onward = np.exp(np.outer(np.arange(_PIECE), turn)), np.exp(_PIECE * turn)
    parts = np.ascontiguousarray(within.real), np.ascontiguousarray(within.imag)
    total = np.zeros(len(freqs_hz), np.complex128)
    for start in reversed(range(0, len(pieces), _ROWS)):
        some = pieces[start : start + _ROWS]
        for piece in (some @ parts[0] + 1j * (some @ parts[1]))[::-1]:
            total = total * onward + piece
    return total
