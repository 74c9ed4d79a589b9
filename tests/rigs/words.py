"""Simulated mics, right and wrong ones mixed: what is decided of each, what the word for it was, and what it cost.

The loss is measured on the same take without noise, quarter by quarter, as a mic that was changed in between has no one
answer; against the best delay and polarity that this mic can have there with all others as decided.
"""

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
from scipy.signal import lfilter, resample

from premix.alignment.case import build_case
from premix.alignment.decide import align
from premix.alignment.kernel import build_kernel
from premix.alignment.lag import find_peaks, score
from premix.alignment.solver import State, Variable
from premix.arrays import FloatArray
from premix.model.alignment import Confidence, MicDecision
from tests.rigs.accuracy import cabinet_settings
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.songs import decisions_of, rig_song, with_windows

RATE = 48000
WRONG_DB = 0.1
Fault = Literal["none", "turned", "jumped", "drifting", "turned_phase", "drowned", "late"]
FAULTS: tuple[Fault, ...] = ("turned", "jumped", "drifting", "turned_phase", "drowned", "late")


@dataclass(frozen=True)
class MicWord:
    """One mic that was not refused: its word, the evidence, and whether it was wrong: loss_db of the efficiency over
    the take, or its polarity not that of the best answer in a quarter of it or more."""

    seed: int
    mic: str
    fault: Fault
    confidence: Confidence | None
    decision: MicDecision
    loss_db: float
    wrong: bool


def word_cases(seed: int) -> list[MicWord]:
    """The mics of one set-up: half of the seeds are sound, from quiet to drowned in noise; in the others one mic has a
    fault that no one delay can mend, or that makes its answer doubtful."""
    rng = np.random.default_rng([seed, 91])
    settings = cabinet_settings(seed) | {
        "rate": RATE,
        "n_close": 4,
        "seconds": float(rng.choice([5.0, 8.0, 12.0])),
        "noise_db": float(rng.uniform(-60.0, -6.0)),
        "hum_db": float(rng.uniform(-55.0, -10.0)),
        "bleed_db": float(rng.uniform(-45.0, -8.0)),
    }
    heard = random_cabinet(seed, **settings)
    clean = random_cabinet(seed, **(settings | {"noise_db": -200.0, "hum_db": -200.0, "bleed_db": None}))
    fault: Fault = FAULTS[int(rng.integers(len(FAULTS)))] if rng.uniform() < 0.5 else "none"
    odd = int(rng.integers(1, len(heard.mics)))
    if fault != "none":
        draws = rng.uniform(size=3)
        heard, clean = (_spoiled(rig, odd, fault, draws, seed) for rig in (heard, clean))
    with tempfile.TemporaryDirectory() as folder:
        song = rig_song({"left": heard})
        decisions = decisions_of(align(with_windows(song, {"left": heard.signals}, Path(folder))))
    losses, turned = _losses(clean, decisions, odd if fault != "none" else None)
    return [
        MicWord(
            seed,
            d.mic,
            fault if m == odd else "none",
            d.confidence,
            d,
            losses[m],
            bool(losses[m] > WRONG_DB or turned[m] >= 0.25),
        )
        for m, d in enumerate(decisions)
        if m and d.refusal is None
    ]


def _spoiled(rig: Rig, m: int, fault: Fault, draws: FloatArray, seed: int) -> Rig:
    """The rig with one mic's file changed by plain numpy and scipy. draws: (3) of 0 to 1."""
    signal = rig.signals[m]
    at = round((0.25 + 0.5 * draws[0]) * len(signal))
    if fault == "turned":
        signal = np.concatenate([signal[:at], -signal[at:]])
    elif fault == "jumped":
        signal = np.concatenate([signal[:at], np.roll(signal, round(5 + 140 * draws[1]))[at:]])
    elif fault == "drifting":
        stretched = resample(signal, round(len(signal) * (1.0 + 1e-5 + 2e-4 * draws[1])))
        signal = stretched[: len(signal)]
    elif fault == "turned_phase":
        for section in range(2 + round(4 * draws[1])):
            corner = 2.0 * np.pi * 150.0 * 12.0 ** ((section * 0.37 + draws[2]) % 1.0) / RATE
            c = (np.tan(corner / 2.0) - 1.0) / (np.tan(corner / 2.0) + 1.0)
            signal = np.asarray(lfilter([c, 1.0], [1.0, c], signal))
    elif fault == "drowned":
        other = random_cabinet(seed + 50_000, rate=RATE, seconds=len(signal) / RATE, n_close=2, take=1).signals[1]
        level = 10.0 ** ((-12.0 + 18.0 * draws[1]) / 20.0) * signal.std() / other.std()
        signal = signal + level * other[: len(signal)]
    else:
        signal = np.roll(signal, round((4.5 + 25.0 * draws[1]) * RATE / 1000.0))
    return rig.with_channel(m, signal)


def _losses(clean: Rig, decisions: tuple[MicDecision, ...], odd: int | None) -> tuple[FloatArray, FloatArray]:
    """(M) mean loss in dB over the quarters of a take, and the share of them in which the other polarity is best."""
    quarters = np.array_split(clean.signals, 4, axis=1)
    losses, turned = np.zeros((4, len(decisions))), np.zeros((4, len(decisions)))
    for q, signals in enumerate(quarters):
        song = rig_song({"left": replace(clean, signals=signals)})
        case = build_case(song, song.performances[0])
        chosen = np.array([d.summed and d.refusal is None for d in decisions])
        state = State([build_kernel(case.signal, chosen)], RATE)
        variables = [Variable(((0, m),), 0.0) for m in range(len(decisions))]
        for variable, decision in zip(variables, decisions, strict=True):
            if chosen[variable.members[0][1]]:
                state.put(variable, decision.delay_samples, decision.polarity)
        for m in sorted(np.flatnonzero(chosen).tolist(), key=lambda m: m != odd):
            if odd is not None and m != odd:
                state.put(variables[odd], 0.0, 0)  # a sound mic is not measured against the odd one
            total = state.efficiency(0)
            cross = state.cross_group([variables[m]])
            peaks = find_peaks(cross, state.freqs_hz, RATE, 0.035 * RATE, 1)
            if peaks and total > 0.0:
                gain = max(0.0, 2.0 * (peaks[0].height - score(cross, state.omega, 0.0)))
                losses[q, m] = 10.0 * np.log10((total + gain) / total)
                turned[q, m] = peaks[0].polarity < 0 and losses[q, m] > WRONG_DB / 2.0
    return losses.mean(axis=0), turned.mean(axis=0)


@dataclass(frozen=True)
class RangeCase:
    """The range of one delay of one take, and whether it holds the mean of the other takes of the set-up."""

    seed: int
    mic: str
    error_samples: float
    range_samples: float

    @property
    def held(self) -> bool:
        return abs(self.error_samples) <= self.range_samples


def range_cases(seed: int) -> list[RangeCase]:
    """Five takes of a sound set-up, each aligned by itself, and each held against the mean of the four others."""
    settings = cabinet_settings(seed) | {"rate": RATE, "seconds": 8.0}
    rigs = {f"take_{take}": random_cabinet(seed, take=take, **settings) for take in range(5)}
    signals = {name: rig.signals for name, rig in rigs.items()}
    with tempfile.TemporaryDirectory() as folder:
        song = align(with_windows(rig_song(rigs, pool=False), signals, Path(folder)))
    found = []
    for name in rigs["take_0"].names[1:]:
        own = [d for d in decisions_of(song) if d.mic == name and d.refusal is None]
        for one in own:
            others = [d.delay_samples for d in own if d is not one]
            if one.range_samples is not None and len(others) == 4:
                found.append(RangeCase(seed, name, one.delay_samples - float(np.mean(others)), one.range_samples))
    return found
