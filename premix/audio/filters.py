"""Filters: second-order sections, their design, their response, and a stream through them; FIRs; delays.

Sections are rows (b0, b1, b2, a0 = 1, a1, a2), the layout of scipy.signal. `import scipy.signal` costs 0.7 s of CPU
time and 70 MB, nearly all of it for what is not used here, so the designs are our own and the one compiled module
that `scipy.signal.sosfilt` calls is loaded by itself. It is private, so it is proved on a few samples first; where
it is missing or has changed, `scipy.signal.sosfilt` does the work, with the same results.

Designs: Butterworth of any order, poles evenly on the unit circle, band-pass by s -> (s^2 + w^2) / (b s); bilinear
transform with pre-warping (Oppenheim & Schafer, Discrete-Time Signal Processing, ch. 7); all-pass as in Zolzer, DAFX,
ch. 2.

A delay is whole samples as a streamed line, and the rest as a short linear-phase FIR, a Kaiser-windowed sinc. 96 taps
with beta 15 keep |H - exact shift| below -134 dB up to 0.9 of Nyquist (design survey after Laakso, Valimaki,
Karjalainen & Laine, "Splitting the Unit Delay", IEEE Signal Processing Magazine 13(1), 1996).
"""

import cmath
import functools
import math
import sys
import threading
from collections.abc import Callable

import numpy as np

from premix.arrays import ComplexArray, FloatArray
from premix.model.alignment import AllPass


def warped(frequency_hz: float, rate: float) -> float:
    """tan(pi f / rate): the analogue frequency that the bilinear transform takes to `frequency_hz`."""
    return math.tan(math.pi * frequency_hz / rate)


def bilinear(b: tuple[float, ...], a: tuple[float, ...], k: float = 1.0) -> list[float]:
    """The section of an analogue b(s) / a(s) whose frequency 1 comes to lie where `k` = `warped` says.

    b, a: coefficients, the highest power of s first; both of a second-order filter (3), or of a first-order one (2).
    """
    upper, lower = _in_z(b, k), _in_z(a, k)
    return [c / lower[0] for c in (*upper, *lower)]


def _in_z(powers: tuple[float, ...], k: float) -> tuple[float, float, float]:
    """A polynomial in s, with s = (1 - z^-1) / (1 + z^-1) / k, as one in z^-1."""
    *square, once, last = powers
    if not square:
        return once + last * k, last * k - once, 0.0
    kk = k * k
    return square[0] + once * k + last * kk, 2.0 * (last * kk - square[0]), square[0] - once * k + last * kk


def high_pass(cutoff_hz: float, order: int, rate: float) -> FloatArray:
    """Sections (n, 6): -3.01 dB at the cutoff, 6.02 dB an octave for each order below it."""
    return _butterworth((1.0, 0.0, 0.0), cutoff_hz, order, rate)


def low_pass(cutoff_hz: float, order: int, rate: float) -> FloatArray:
    """Sections (n, 6): -3.01 dB at the cutoff, 6.02 dB an octave for each order above it."""
    return _butterworth((0.0, 0.0, 1.0), cutoff_hz, order, rate)


def _butterworth(b: tuple[float, float, float], cutoff_hz: float, order: int, rate: float) -> FloatArray:
    k = warped(cutoff_hz, rate)
    rows = [bilinear(b, (1.0, damping, 1.0), k) for damping in _dampings(order)]
    if order % 2:
        rows.append(bilinear((b[0], b[2]), (1.0, 1.0), k))
    return np.array(rows)


def band_pass(low_hz: float, high_hz: float, order: int, rate: float) -> FloatArray:
    """Sections (order, 6): -3.01 dB at both edges, 6.02 dB an octave for each order far beyond them."""
    low, high = warped(low_hz, rate), warped(high_hz, rate)
    width, square = high - low, low * high
    pairs = []  # (-2 real part, squared size) of each pair of poles
    for d in _dampings(order):
        pole = width * complex(-d / 2.0, math.sqrt(1.0 - d * d / 4.0))
        root = cmath.sqrt(pole * pole - 4.0 * square)
        pairs += [(-2.0 * p.real, abs(p) ** 2) for p in ((pole + root) / 2.0, (pole - root) / 2.0)]
    if order % 2:
        pairs.append((width, square))
    return np.array([bilinear((0.0, width, 0.0), (1.0, turn, size)) for turn, size in pairs])


def _dampings(order: int) -> list[float]:
    """d of each s^2 + d s + 1, the dullest first; an odd order has s + 1 besides."""
    return [2.0 * math.cos(math.pi * (order - 1 - 2 * i) / (2 * order)) for i in reversed(range(order // 2))]


def _all_pass(rotation: AllPass, rate: float) -> list[float]:
    """Phase 0 at DC falling to -180 degrees (order 1) or -360 degrees (order 2) at Nyquist; half way at the corner."""
    k = warped(rotation.corner_hz, rate)
    if rotation.order == 1:
        c = (k - 1.0) / (k + 1.0)
        return [c, 1.0, 0.0, 1.0, c, 0.0]
    norm = 1.0 / (1.0 + k / rotation.q + k * k)
    a1, a2 = 2.0 * (k * k - 1.0) * norm, (1.0 - k / rotation.q + k * k) * norm
    return [a2, a1, 1.0, 1.0, a1, a2]


def mic_sections(
    rate: float, high_pass_hz: float | None = None, low_pass_hz: float | None = None, rotation: AllPass | None = None
) -> FloatArray:
    """All sections (n, 6) of one mic's own filters, in order; (0, 6) when it has none. Slopes: 12 dB an octave."""
    filters = [np.zeros((0, 6))]
    if high_pass_hz is not None:
        filters.append(high_pass(high_pass_hz, 2, rate))
    if low_pass_hz is not None:
        filters.append(low_pass(low_pass_hz, 2, rate))
    if rotation is not None:
        filters.append(np.array([_all_pass(rotation, rate)]))
    return np.concatenate(filters)


def stable(sections: FloatArray) -> bool:
    """Whether all poles lie inside the unit circle: |a2| < 1 and |a1| < 1 + a2 of every section (Jury, 1964)."""
    return bool(((np.abs(sections[:, 5]) < 1.0) & (np.abs(sections[:, 4]) < 1.0 + sections[:, 5])).all())


def sections_response(sections: FloatArray, freqs_hz: FloatArray, rate: int) -> ComplexArray:
    """Complex response (F) of the sections in series; ones for no sections."""
    z = np.exp(-2j * np.pi * freqs_hz / rate)
    response = np.ones(len(freqs_hz), np.complex128)
    for b0, b1, b2, _, a1, a2 in sections:
        response *= (b0 + b1 * z + b2 * z * z) / (1.0 + a1 * z + a2 * z * z)
    return response


_PIECE, _ROWS = 256, 64


def fir_response(taps: FloatArray, freqs_hz: FloatArray, rate: int) -> ComplexArray:
    """(F) sum of taps[n] e^(-j 2 pi f n / rate), of taps (n,): pieces by themselves, then Horner's rule over them.

    So a long impulse response at any frequencies takes a few products of matrices.
    """
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


_TINY = 1e-200
_STRETCH = 16384


class SectionFilter:
    """Sections (n, 6) in series on `channels` channels, with state; the blocks have no effect on the samples."""

    def __init__(self, sections: FloatArray, channels: int = 1) -> None:
        self._sections = np.ascontiguousarray(sections, np.float64)
        self.state = np.zeros((channels, len(sections), 2))
        self._position = 0

    def run(self, samples: FloatArray) -> None:
        """Filter the next block (channels, frames), each channel contiguous, in place."""
        loop, done, count = section_loop(), 0, samples.shape[1] if len(self._sections) else 0
        while done < count:
            stop = min(count, done + _STRETCH - self._position % _STRETCH)
            for channel in range(len(samples)):
                one = slice(channel, channel + 1)
                loop(self._sections, samples[one, done:stop], self.state[one])
            self._position += stop - done
            done = stop
            if self._position % _STRETCH == 0:
                # In digital silence the state would sink into denormal numbers, which are slow, and stay there.
                # This is -4000 dB, and done at fixed places, so that the block size stays without effect.
                self.state[np.abs(self.state) < _TINY] = 0.0

    def settle(self, levels: FloatArray) -> None:
        """The state as if each channel had stood at its level (channels,) for ever."""
        for number, (b0, b1, b2, _, a1, a2) in enumerate(self._sections):
            after = levels * (b0 + b1 + b2) / (1.0 + a1 + a2)
            self.state[:, number, 1] = b2 * levels - a2 * after
            self.state[:, number, 0] = b1 * levels - a1 * after + self.state[:, number, 1]
            levels = after


Loop = Callable[[FloatArray, FloatArray, FloatArray], None]
"""(sections (n, 6), samples (channels, frames), state (channels, n, 2)), all C-contiguous; samples and state change
in place."""

_COMPILED = "scipy.signal._sosfilt"
_LOADING = threading.Lock()
"""A compiled module loads once a process: a second thread that tried meanwhile would fall back on scipy.signal."""


def section_loop() -> Loop:
    """The loop to use."""
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


TAPS = 96
KAISER_BETA = 15.0
WHOLE_TOLERANCE = 1e-9
"""Delays this near a whole number of samples are applied as read offsets alone, bit for bit."""


def split_delay(delay_samples: float) -> tuple[int, float]:
    """A delay as whole samples and a rest in [-0.5, 0.5]; rests below 1e-9 sample become exactly 0."""
    whole = round(delay_samples)
    rest = delay_samples - whole
    return whole, 0.0 if abs(rest) < WHOLE_TOLERANCE else rest


def advance_fir(rest: float) -> FloatArray:
    """FIR (TAPS,) that advances a signal by `rest` samples (-0.5 to 0.5) on top of its own latency.

    Convolving x with it gives y[n] ~= x(n - (TAPS/2 - 1) + rest): the caller reads TAPS/2 - 1 samples ahead.
    Unit gain at DC.
    """
    n = np.arange(TAPS, dtype=np.float64)
    position = n - (TAPS // 2 - 1) + rest
    half = TAPS / 2.0
    window = np.i0(KAISER_BETA * np.sqrt(np.maximum(0.0, 1.0 - (position / half) ** 2))) / np.i0(KAISER_BETA)
    taps = np.sinc(position) * window
    return taps / math.fsum(taps.tolist())


class DelayLine:
    """Delays (channels, n) blocks by `samples`; zeros come first. Bit for bit, whatever the block size."""

    def __init__(self, channels: int, samples: int) -> None:
        self._held = np.zeros((channels, samples))

    def process(self, block: FloatArray) -> FloatArray:
        """The next block (channels, n), `samples` late; the block itself where the delay is zero."""
        if not self._held.shape[1]:
            return block
        both = np.concatenate([self._held, block], axis=1)
        self._held = both[:, block.shape[1] :].copy()
        return both[:, : block.shape[1]]
