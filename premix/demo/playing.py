"""Playing: the riff as a guitarist plays it, with human timing, and the strings that it makes sound.

A bar is two rows of 16 signs, one a sixteenth note:
strokes  m palm-muted stroke   k palm-muted, choked half-way   C chord that rings   t tremolo (two strokes)
         - what sounds goes on  . stop: the hand lies on the strings
frets    semitones above the lowest string, read where a stroke starts

Strings: a digital waveguide (Karplus and Strong 1983; Jaffe and Smith 1983), tuned low. The string loop
E(z) / (1 - g z^-T) is solved in the frequency domain, so the loop delay T may be any fraction of a sample and the
losses g any function of frequency. It is evaluated on a circle slightly outside the unit circle and the result
multiplied by the growing exponential: that keeps a long note's tail from wrapping round into its own beginning (the
damped Fourier transform).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from premix.arrays import FloatArray
from premix.model.gate import Span

Technique = Literal["mute", "chord", "tremolo"]

TEMPO_BPM = 112.0
LEAD_IN_S = 0.35
"""Amp noise alone before the first stroke, and at least as long after the last."""
CHOKE = 0.45
"""Part of a sixteenth after which a choked stroke is stopped; leaves a stop of about 74 ms."""
SHORTEST_STOP_S = 0.065
"""From the hand's fall to the next stroke; the hand needs 5 ms of it."""
TIMING_SD_S = 0.007
TIMING_MOST_S = 0.015

BARS: tuple[tuple[str, str], ...] = (
    ("mm.mkmm.C-..mmmk", "0000000033005555"),
    ("mkmk.mmmC----...", "0000000077777777"),
    ("tttttttt..mm.mk.", "3335557700000000"),
    ("C-----------..mk", "0000000000000000"),
    ("mmmm.mmmm.C--...", "0000033333877777"),
    ("mk.mk.mkmmmmC-..", "0000000000001100"),
    ("mmm.tttttt.C-...", "0000777755500000"),
    ("C-------C-----..", "0000000055555555"),
)


@dataclass(frozen=True, slots=True)
class Stroke:
    """One stroke of the pick: when it hits, when it ends (next stroke or stop), technique, fret, strength."""

    on_s: float
    off_s: float
    technique: Technique
    fret: int
    strength: float


@dataclass(frozen=True, slots=True)
class Take:
    """One performance of the riff: the strokes, and the played passages (on_s, off_s) between the stops."""

    strokes: tuple[Stroke, ...]
    passages: tuple[Span, ...]


_SIGNS: dict[str, Technique] = {"m": "mute", "k": "mute", "C": "chord", "t": "tremolo"}


def perform(
    seconds: float, rng: np.random.Generator, *, bars: Sequence[tuple[str, str]] = BARS, tempo_bpm: float = TEMPO_BPM
) -> Take:
    """One take of the riff, filling `seconds`: strokes and stops up to 15 ms off the grid, own strengths."""
    end_s = seconds - LEAD_IN_S
    events = _written(end_s, bars, 15.0 / tempo_bpm)
    moved = np.clip(rng.normal(0.0, TIMING_SD_S, len(events)), -TIMING_MOST_S, TIMING_MOST_S)
    times = [at + float(move) for (at, _, _), move in zip(events, moved, strict=True)]
    for i in range(1, len(events)):
        if events[i - 1][1] == "stop":
            times[i] = max(times[i], times[i - 1] + SHORTEST_STOP_S)
    strengths = 10.0 ** (rng.normal(0.0, 1.2, len(events)) / 20.0)
    strokes = tuple(
        Stroke(times[i], times[i + 1], kind, fret, float(strengths[i]))
        for i, (_, kind, fret) in enumerate(events)
        if kind != "stop"
    )
    return Take(strokes, _passages(strokes))


def _written(
    end_s: float, bars: Sequence[tuple[str, str]], tick: float
) -> list[tuple[float, Technique | Literal["stop"], int]]:
    """The score as (time_s, technique or stop, fret) without human timing; the last is a stop at end_s.

    tick: seconds of a sixteenth.
    """
    events: list[tuple[float, Technique | Literal["stop"], int]] = []
    stopped = True
    for index in range(int((end_s - LEAD_IN_S) / tick)):
        strokes, frets = bars[index // 16 % len(bars)]
        sign, fret = strokes[index % 16], int(frets[index % 16])
        at = LEAD_IN_S + index * tick
        if sign == "." and not stopped:
            events.append((at, "stop", 0))
        if sign in _SIGNS:
            events.append((at, _SIGNS[sign], fret))
        if sign == "t":
            events.append((at + tick / 2.0, "tremolo", fret))
        if sign == "k":
            events.append((at + CHOKE * tick, "stop", 0))
        stopped = sign == "k" or (stopped and sign not in _SIGNS) or sign == "."
    if not stopped:
        events.append((end_s, "stop", 0))
    return events


def _passages(strokes: tuple[Stroke, ...]) -> tuple[Span, ...]:
    """Strokes that follow each other without a stop, joined."""
    spans: list[list[float]] = []
    for stroke in strokes:
        if spans and stroke.on_s == spans[-1][1]:
            spans[-1][1] = stroke.off_s
        else:
            spans.append([stroke.on_s, stroke.off_s])
    return tuple((on, off) for on, off in spans)


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


RINGS: dict[str, Ring] = {"mute": Ring(0.16, 700.0), "chord": Ring(2.5, 1500.0), "tremolo": Ring(1.2, 1800.0)}


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
    pitch_hz: float, length: int, rate: int, pick: FloatArray, ring: Ring, position: float, late_s: float = 0.0
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
