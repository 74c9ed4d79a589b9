"""Plucked strings tuned low: a digital waveguide (Karplus and Strong 1983; Jaffe and Smith 1983).

The string loop E(z) / (1 - g z^-T) is solved in the frequency domain, so the loop delay T may be any fraction
of a sample and the losses g any function of frequency. It is evaluated on a circle slightly outside the unit
circle and the result multiplied by the growing exponential: that keeps a long note's tail from wrapping round
into its own beginning (the damped Fourier transform).
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from premix.demo.score import Stroke, Take

FloatArray = npt.NDArray[np.float64]

LOWEST_HZ = 55.0
"""The open low string, A1; with its fifth and octave a power chord (drop-A)."""
INTERVALS: dict[str, tuple[int, ...]] = {"mute": (0, 7), "chord": (0, 7, 12), "tremolo": (12,)}
STIFFNESS = 6e-5
HAND_DB_PER_MS = 12.0
HAND_S = 0.005
"""The hand kills a string at 12 dB/ms: 60 dB within 5 ms. The amp's clipping hides the first 40 dB or so."""
PICK_S = 0.004
PICKUP_HZ = 6000.0
"""Where the pick-up's highs have fallen by 1/e; nothing is left at half the rate that could ring."""
WRAP = 1e-3
"""How far the tail that would wrap round is pushed down."""
SPARE = 256
"""Samples made and thrown away at the end: what little rings ahead of the onset wraps round to there."""


@dataclass(frozen=True, slots=True)
class Ring:
    """How a string rings: time constant of the lows in seconds, and the frequency where it has halved."""

    decay_s: float
    dark_hz: float


RINGS: dict[str, Ring] = {
    "mute": Ring(0.16, 700.0),
    "chord": Ring(2.5, 1500.0),
    "tremolo": Ring(1.2, 1800.0),
}


def play(
    take: Take, frames: int, rate: int, rng: np.random.Generator, *, cents: float = 0.0, semitones: int = 0
) -> FloatArray:
    """The pick-up's signal of a take, shape (frames): loud strokes peak near 1, stops are silent."""
    signal = np.zeros(frames)
    for stroke in take.strokes:
        start = int(stroke.on_s * rate)
        note = _stroke(stroke, stroke.on_s - start / rate, rate, rng, cents, semitones)
        note = note[: max(0, frames - start)]
        signal[start : start + len(note)] += note
    return signal


def _stroke(
    stroke: Stroke, late_s: float, rate: int, rng: np.random.Generator, cents: float, semitones: int
) -> FloatArray:
    """All strings of one stroke, from its onset until the hand has killed them."""
    played = round((stroke.off_s - stroke.on_s) * rate)
    tail = round(0.012 * rate)
    pick = _pick(round(PICK_S * rate), stroke.strength, rng)
    position = rng.uniform(0.10, 0.16)
    total = np.zeros(played + tail)
    for interval in INTERVALS[stroke.technique]:
        out_of_tune = (cents + rng.normal(0.0, 2.0)) / 1200.0
        pitch = LOWEST_HZ * 2.0 ** ((stroke.fret + semitones + interval) / 12.0 + out_of_tune)
        total += pluck(pitch, len(total), rate, pick, RINGS[stroke.technique], position, late_s)
    total[played:] *= 10.0 ** (-HAND_DB_PER_MS / 20.0 * np.arange(1, tail + 1) * 1000.0 / rate)
    return total


def _pick(length: int, strength: float, rng: np.random.Generator) -> FloatArray:
    """What the pick does to the string: a push with some scrape; a stronger stroke is louder."""
    push = np.hanning(2 * (length // 8) + 1)
    scrape = rng.standard_normal(length) * np.exp(-np.arange(length) / (0.25 * length))
    scrape[: len(push)] += 3.0 * push
    return strength * 0.12 * scrape


def pluck(
    pitch_hz: float,
    length: int,
    rate: int,
    pick: FloatArray,
    ring: Ring,
    position: float,
    late_s: float = 0.0,
) -> FloatArray:
    """One string plucked at a part `position` of its length, shape (length); late_s: sub-sample start."""
    from scipy.fft import next_fast_len

    size = next_fast_len(length + SPARE, real=True)
    freqs = np.fft.rfftfreq(size, 1.0 / rate)
    growth = -np.log(WRAP) / size
    s = growth * rate + 2j * np.pi * freqs
    period = 1.0 / (pitch_hz * np.sqrt(1.0 + STIFFNESS * (freqs / pitch_hz) ** 2))
    loop = np.exp(-period * (1.0 + (freqs / ring.dark_hz) ** 2) / ring.decay_s - s * period)
    struck = np.fft.rfft(pick * np.exp(-growth * np.arange(len(pick))), size)
    comb = 1.0 - np.exp(-s * position * period)
    spectrum = struck * comb * np.exp(-s * late_s - (freqs / PICKUP_HZ) ** 2) / (1.0 - loop)
    shrunk = np.fft.irfft(spectrum, size)[:length]
    return np.asarray(shrunk * np.exp(growth * np.arange(length)), np.float64)
