"""The riff: what a guitarist plays and when, with human timing.

A bar is two rows of 16 signs, one a sixteenth note:
strokes  m palm-muted stroke   k palm-muted, choked half-way   C chord that rings   t tremolo (two strokes)
         - what sounds goes on  . stop: the hand lies on the strings
frets    semitones above the lowest string, read where a stroke starts
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

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
    seconds: float,
    rng: np.random.Generator,
    *,
    bars: Sequence[tuple[str, str]] = BARS,
    tempo_bpm: float = TEMPO_BPM,
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
