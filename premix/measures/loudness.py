"""Loudness of a stream: ITU-R BS.1770-5 gated loudness, EBU Tech 3341 maxima, EBU Tech 3342 loudness range.

Conventions. Every channel has weight 1 (left, right, centre). A mono file is ONE channel, so it reads 3.01 LU
below the same audio played as dual mono; a full-scale 997 Hz sine in one channel reads -3.01 LUFS.
Only complete windows count, so up to 20 ms at the end of a stream are not seen, and what is shorter than a
window (0.4 s, or 3 s for short-term loudness and range) has no loudness.
"""

from array import array
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from premix.measures.k_weighting import KWeighting
from premix.measures.step_gram import StepGram
from premix.units import db_to_power, power_to_db

FloatArray = npt.NDArray[np.float64]

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


@dataclass(frozen=True, slots=True)
class Loudness:
    """Integrated and maximum loudness in LUFS, range in LU; None: silence, or shorter than the window."""

    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    range_lu: float | None


def loudness_step(rate: int) -> int:
    """Samples in a step of 20 ms, the time grid of every loudness window."""
    return max(1, round(STEP_S * rate))


def _to_lufs(power: float) -> float | None:
    return OFFSET_LUFS + power_to_db(power) if power > 0.0 else None


def _from_lufs(lufs: float) -> float:
    return db_to_power(lufs - OFFSET_LUFS)


def _sliding_mean(values: FloatArray, length: int) -> FloatArray:
    if len(values) < length:
        return np.zeros(0)
    return np.convolve(values, np.full(length, 1.0 / length), "valid")


def _gated(powers: FloatArray, relative_gate_lu: float) -> FloatArray:
    """Powers above the absolute gate and above the relative gate under their mean (BS.1770-5, eq. 5-7)."""
    loud = powers[powers > _from_lufs(ABSOLUTE_GATE_LUFS)]
    if not len(loud):
        return loud
    gated: FloatArray = loud[loud > loud.mean() * db_to_power(relative_gate_lu)]
    return gated


def _integrated(hops: FloatArray) -> float | None:
    gated = _gated(_sliding_mean(hops, HOPS_MOMENTARY), RELATIVE_GATE_LU)
    return _to_lufs(float(gated.mean())) if len(gated) else None


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

    def result(self, gain: float = 1.0) -> Loudness:
        """The loudness so far, as if a linear gain had been applied to the whole stream."""
        hops = np.array(self._hops) * gain**2
        short_term = self.short_term_powers(gain)
        return Loudness(
            integrated_lufs=_integrated(hops),
            momentary_max_lufs=_to_lufs(self._momentary_max * gain**2),
            short_term_max_lufs=_to_lufs(float(short_term.max(initial=0.0))),
            range_lu=_range(short_term),
        )

    def values(self, gain: float = 1.0) -> dict[str, float | None]:
        """`result` under the names of `PartMeasures`."""
        loudness = self.result(gain)
        return {
            "loudness_lufs": loudness.integrated_lufs,
            "momentary_max_lufs": loudness.momentary_max_lufs,
            "short_term_max_lufs": loudness.short_term_max_lufs,
            "loudness_range_lu": loudness.range_lu,
        }


class LoudnessMeter(PowerLog):
    """Loudness of a stream of blocks, shape (channels, frames)."""

    def __init__(self, rate: int, channels: int) -> None:
        super().__init__()
        self._weighting = KWeighting(rate, channels)
        self._step = loudness_step(rate)
        self._gram = StepGram(self._step, channels)

    def feed(self, block: FloatArray) -> None:
        """Measure the next block."""
        grams = self._gram.feed(self._weighting.filter(block))
        self.add(np.trace(grams, axis1=1, axis2=2) / self._step)
