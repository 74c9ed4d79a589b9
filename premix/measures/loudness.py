"""Loudness of a stream: ITU-R BS.1770-5 gated loudness, EBU Tech 3341 maxima, EBU Tech 3342 loudness range.

Conventions. Every channel has weight 1 (left, right, centre). A mono file is ONE channel, so it reads 3.01 LU
below the same audio played as dual mono; a full-scale 997 Hz sine in one channel reads -3.01 LUFS.
Only complete windows count, so up to 20 ms at the end of a stream are not seen, and what is shorter than a
window (0.4 s, or 3 s for short-term loudness and range) has no loudness.

Many sums of few signals: K-weighting (annex 1: a shelf and a high-pass) is linear, so the signals are weighted once
and the sums are never filtered. The weighted power of a channel sum_n c_n x_n is c' G c, with G the Gram matrix of
the weighted signals; each step's Gram matrix is projected onto the outputs at once and dropped.
"""

from array import array
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np

from premix.arrays import FloatArray
from premix.audio.filters import SectionFilter, bilinear, warped
from premix.measures.frames import StepGram
from premix.units import db_to_power, power_to_db

STANDARD_RATE = 48_000
# The analogue prototypes behind the standard's 48 kHz table (as pyloudnorm's filter class DeMan has them): frequency in
# Hz and Q of each, gain in dB of the shelf, and the power of that gain that the middle term has.
SHELF_HZ, SHELF_Q, SHELF_DB, SHELF_MIDDLE = 1681.9744509555319, 0.7071752369554193, 3.99984385397, 0.499666774155
HIGH_PASS_HZ, HIGH_PASS_Q = 38.13547087613982, 0.5003270373253953


@cache
def _sections(rate: int) -> FloatArray:
    top = 10.0 ** (SHELF_DB / 20.0)
    middle = top**SHELF_MIDDLE
    shelf = bilinear((top, middle / SHELF_Q, 1.0), (1.0, 1.0 / SHELF_Q, 1.0), warped(SHELF_HZ, rate))
    poles = bilinear((1.0, 0.0, 0.0), (1.0, 1.0 / HIGH_PASS_Q, 1.0), warped(HIGH_PASS_HZ, rate))[3:]
    return np.array([shelf, [1.0, -2.0, 1.0, *poles]])


def _gain_at_nyquist(section: FloatArray) -> float:
    alternating = np.array([1.0, -1.0, 1.0])
    return float((section[:3] @ alternating) / (section[3:] @ alternating))


def k_weighting_sections(rate: int) -> FloatArray:
    """The two second-order sections of the K-weighting at any rate (Hz), shape (2, 6), as scipy's `sos`.

    Pre-warped bilinear designs of one pair of prototypes. The standard's 48 kHz high-pass has the numerator
    (1, -2, 1), which leaves its pass band 0.04 dB above 0 dB; other rates are scaled to the same pass band,
    because the standard asks for the same response at every rate (plain (1, -2, 1) is up to 0.03 dB off).
    """
    sections = _sections(rate).copy()
    sections[1, :3] *= _gain_at_nyquist(_sections(STANDARD_RATE)[1]) / _gain_at_nyquist(sections[1])
    return sections


class WeightedSteps:
    """Gram matrices of the K-weighted signals of a stream, one every 20 ms, the time grid of every loudness window."""

    def __init__(self, rate: int, signals: int) -> None:
        self._filter = SectionFilter(k_weighting_sections(rate), signals)
        self._weighted = np.empty((signals, 0))
        self.length = max(1, round(STEP_S * rate))
        self._gram = StepGram(self.length, signals)

    def feed(self, block: FloatArray) -> FloatArray:
        """Those (steps, signals, signals) that this block completes; sums over their `length` samples."""
        if self._weighted.shape != block.shape:
            self._weighted = np.empty(block.shape)
        self._weighted[:] = block
        self._filter.run(self._weighted)
        return self._gram.feed(self._weighted)


OFFSET_LUFS = -0.691
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
RANGE_GATE_LU = -20.0
RANGE_PERCENT = (10.0, 95.0)
STEP_S = 0.02
STEPS_PER_HOP = 5  # 100 ms: the hop of all gated blocks (75 % overlap of 400 ms) and what is kept in memory
STEPS_MOMENTARY = 20
HOPS_MOMENTARY = 4
HOPS_SHORT_TERM = 30


def _to_lufs(power: float) -> float | None:
    return OFFSET_LUFS + power_to_db(power) if power > 0.0 else None


def _sliding_mean(values: FloatArray, length: int) -> FloatArray:
    if len(values) < length:
        return np.zeros(0)
    return np.convolve(values, np.full(length, 1.0 / length), "valid")


def gated_loudness(powers: FloatArray) -> float | None:
    """Integrated loudness in LUFS of the mean powers of blocks of 400 ms (BS.1770-5, eq. 5-7); None in silence."""
    gated = _gated(powers, RELATIVE_GATE_LU)
    return _to_lufs(float(gated.mean())) if len(gated) else None


def _gated(powers: FloatArray, relative_gate_lu: float) -> FloatArray:
    """Powers above the absolute gate and above the relative gate under their mean."""
    loud = powers[powers > db_to_power(ABSOLUTE_GATE_LUFS - OFFSET_LUFS)]
    if not len(loud):
        return loud
    gated: FloatArray = loud[loud > loud.mean() * db_to_power(relative_gate_lu)]
    return gated


def _range(short_term: FloatArray) -> float | None:
    """Tech 3342: spread of the gated short-term loudness between its 10th and 95th percentile."""
    gated = _gated(short_term, RANGE_GATE_LU)
    if not len(gated):
        return None
    low, high = np.percentile(gated, RANGE_PERCENT, method="nearest")
    return power_to_db(float(high / low))


class PowerLog:
    """The K-weighted power of one output over time: all that the loudness measures need of it.

    Keeps ten numbers a second (100 ms means); momentary loudness is followed in steps of 20 ms.
    """

    def __init__(self) -> None:
        self._hops = array("d")
        self._recent = np.zeros(0)
        self._to_next_hop = np.zeros(0)
        self._momentary_max = 0.0

    def add(self, steps: FloatArray) -> None:
        """Append mean squares of consecutive steps, summed over the channels, shape (steps,)."""
        recent = np.concatenate((self._recent, steps))
        momentary = _sliding_mean(recent, STEPS_MOMENTARY)
        self._momentary_max = max(self._momentary_max, float(momentary.max(initial=0.0)))
        self._recent = recent[-(STEPS_MOMENTARY - 1) :]
        waiting = np.concatenate((self._to_next_hop, steps))
        whole = len(waiting) - len(waiting) % STEPS_PER_HOP
        self._hops.frombytes(waiting[:whole].reshape(-1, STEPS_PER_HOP).mean(axis=1).tobytes())
        self._to_next_hop = waiting[whole:]

    def short_term_powers(self, gain: float = 1.0) -> FloatArray:
        """Mean power of each 3 s window, every 100 ms: -0.691 + 10 log10 of it is the short-term loudness."""
        return _sliding_mean(np.array(self._hops) * gain**2, HOPS_SHORT_TERM)

    def values(self, gain: float = 1.0) -> dict[str, float | None]:
        """Integrated and maximum loudness in LUFS and the range in LU so far, as if a linear gain had been applied to
        the whole stream, under the names of `PartMeasures`. None: silence, or shorter than the window."""
        hops = np.array(self._hops) * gain**2
        short_term = self.short_term_powers(gain)
        return {
            "loudness_lufs": gated_loudness(_sliding_mean(hops, HOPS_MOMENTARY)),
            "momentary_max_lufs": _to_lufs(self._momentary_max * gain**2),
            "short_term_max_lufs": _to_lufs(float(short_term.max(initial=0.0))),
            "loudness_range_lu": _range(short_term),
        }


class LoudnessMeter(PowerLog):
    """Loudness of a stream of blocks, shape (channels, frames)."""

    def __init__(self, rate: int, channels: int) -> None:
        super().__init__()
        self._steps = WeightedSteps(rate, channels)

    def feed(self, block: FloatArray) -> None:
        self.add(np.trace(self._steps.feed(block), axis1=1, axis2=2) / self._steps.length)


@dataclass(frozen=True, slots=True)
class Sums:
    """Outputs that are sums of others: signals names the S outputs they are made of, each of one channel;
    gains: output -> (channels, S), what each signal counts in each channel."""

    signals: tuple[str, ...]
    gains: Mapping[str, FloatArray]


class LoudnessGram:
    """Loudness of named outputs, each a fixed linear combination of the same `signals` signals.

    coefficients: name -> gains, shape (channels, signals): channel c of the output is the sum over n of
    gains[c, n] x_n (polarity, bus gain and pan multiplied in). ValueError for any other shape.
    """

    def __init__(self, rate: int, signals: int, coefficients: Mapping[str, FloatArray]) -> None:
        for name, gains in coefficients.items():
            if np.ndim(gains) != 2 or np.shape(gains)[1] != signals:
                raise ValueError(f"{name}: gains have shape {np.shape(gains)}, not (channels, {signals})")
        self._steps = WeightedSteps(rate, signals)
        squares = [(gains.T @ gains).ravel() for gains in coefficients.values()]
        self._squares = np.array(squares).reshape(len(coefficients), signals**2)
        self.outputs: dict[str, PowerLog] = {name: PowerLog() for name in coefficients}

    def feed(self, block: FloatArray) -> None:
        """Measure the next block of all signals, shape (signals, frames)."""
        grams = self._steps.feed(block)
        powers = self._squares @ grams.reshape(len(grams), self._squares.shape[1]).T / self._steps.length
        for output, power in zip(self.outputs.values(), powers, strict=True):
            output.add(np.maximum(power, 0.0))  # a sum that cancels may round to below zero
