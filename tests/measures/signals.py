"""Test signals and feeding, shared by the tests of the measures."""

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

RATE = 48_000


def sine(
    seconds: float, level_db: float, frequency_hz: float = 1000.0, rate: int = RATE, phase_deg: float = 0.0
) -> FloatArray:
    """Sine whose peak is `level_db` re full scale, shape (frames)."""
    time_s = np.arange(round(seconds * rate)) / rate
    amplitude = 10.0 ** (level_db / 20.0)
    return np.asarray(amplitude * np.sin(2.0 * np.pi * frequency_hz * time_s + np.radians(phase_deg)))


def tones(steps: Sequence[tuple[float, float]], rate: int = RATE, channels: int = 2) -> FloatArray:
    """1 kHz tones one after another, (seconds, level in dB) each, equal in all channels."""
    tone = np.concatenate([sine(seconds, level_db, rate=rate) for seconds, level_db in steps])
    return np.tile(tone, (channels, 1))


def riff_noise(seconds: float, seed: int, rate: int = RATE, channels: int = 2) -> FloatArray:
    """Clipped low-passed noise that stops and goes, shape (channels, frames): dense like a guitar."""
    frames = round(seconds * rate)
    noise = np.random.default_rng(seed).standard_normal((channels, frames))
    smooth = np.stack([np.convolve(channel, np.hanning(17) / 3.0, "same") for channel in noise])
    playing = np.where(np.arange(frames) / rate % 0.7 < 0.5, 1.0, 0.003)
    return 0.3 * np.tanh(2.0 * smooth) * playing


def feed_in_pieces(meter: Any, signal: FloatArray, sizes: Sequence[int]) -> None:
    """Feed a signal in blocks of the given sizes, over and over until it ends."""
    at = turn = 0
    while at < signal.shape[1]:
        size = sizes[turn % len(sizes)]
        meter.feed(signal[:, at : at + size])
        at, turn = at + size, turn + 1
