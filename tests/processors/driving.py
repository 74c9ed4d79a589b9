"""Driving one processor from a test: whole signals through it in blocks, with and without its latency."""

from typing import Any

import numpy as np
import numpy.typing as npt

from premix.model.settings import ChainStep
from premix.processors.base import Setting
from premix.processors.chains import RunningChain

FloatArray = npt.NDArray[np.float64]
RATE = 48_000


def step(kind: str, **params: Any) -> ChainStep:
    """A step as the recipe's record holds it."""
    return ChainStep(kind=kind, params=params)


def setting(channels: int = 1, rate: int = RATE, **more: Any) -> Setting:
    """A setting for tests."""
    return Setting(rate, channels, **more)


def drive(
    steps: ChainStep | list[ChainStep], signal: FloatArray, sizes: list[int] | None = None, **where: Any
) -> FloatArray:
    """The signal (channels, n) or (n,) through a chain, its latency taken out; block sizes repeat."""
    chain = (steps,) if isinstance(steps, ChainStep) else tuple(steps)
    both = np.atleast_2d(signal)
    running = RunningChain(chain, setting(len(both), **where))
    try:
        latency = running.latency_samples
        padded = np.pad(both, ((0, 0), (0, latency)))
        made, start, turn = [], 0, 0
        while start < padded.shape[1]:
            size = (sizes or [padded.shape[1]])[turn % len(sizes or [0])]
            made.append(running.process(padded[:, start : start + size].copy()).copy())
            start, turn = start + size, turn + 1
    finally:
        running.close()
    out = np.concatenate(made, axis=1)[:, latency:]
    return out if np.ndim(signal) > 1 else out[0]


def noise(channels: int, count: int, seed: int = 7, level: float = 0.1) -> FloatArray:
    """White noise (channels, count)."""
    return level * np.random.default_rng(seed).standard_normal((channels, count))


def impulse(count: int, at: int = 0) -> FloatArray:
    """A unit impulse (count,)."""
    made = np.zeros(count)
    made[at] = 1.0
    return made


def magnitude_db(signal: FloatArray, freqs_hz: FloatArray, rate: int = RATE) -> FloatArray:
    """Magnitude (F) of an impulse response (n,) at any frequencies, from the definition."""
    return 20.0 * np.log10(np.abs(transform(signal, freqs_hz, rate)))


def transform(signal: FloatArray, freqs_hz: FloatArray, rate: int = RATE) -> npt.NDArray[np.complex128]:
    """Fourier transform (F) of an impulse response (n,) at any frequencies, from the definition."""
    n = np.arange(len(signal))
    return np.array([np.dot(signal, np.exp(-2j * np.pi * f / rate * n)) for f in np.atleast_1d(freqs_hz)])
