"""Loudness of many sums of few signals: the signals are K-weighted once, the sums are never filtered.

K-weighting is linear, so the weighted power of a channel sum_n c_n x_n is c' G c, with G the Gram matrix of
the weighted signals. Each step's Gram matrix is projected onto the outputs at once and dropped.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from premix.measures.k_weighting import KWeighting
from premix.measures.loudness import PowerLog, loudness_step
from premix.measures.step_gram import StepGram

FloatArray = npt.NDArray[np.float64]


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
        self._weighting = KWeighting(rate, signals)
        self._step = loudness_step(rate)
        self._gram = StepGram(self._step, signals)
        squares = [(gains.T @ gains).ravel() for gains in coefficients.values()]
        self._squares = np.array(squares).reshape(len(coefficients), signals**2)
        self.outputs: dict[str, PowerLog] = {name: PowerLog() for name in coefficients}

    def feed(self, block: FloatArray) -> None:
        """Measure the next block of all signals, shape (signals, frames)."""
        grams = self._gram.feed(self._weighting.filter(block))
        powers = self._squares @ grams.reshape(len(grams), self._squares.shape[1]).T / self._step
        for output, power in zip(self.outputs.values(), powers, strict=True):
            output.add(np.maximum(power, 0.0))  # a sum that cancels may round to below zero
