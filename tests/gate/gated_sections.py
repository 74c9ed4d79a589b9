"""Takes of several sections taken through the gate, and what can be measured of them: times and energies."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import numpy.typing as npt

from premix.audio.gains import curve_gain
from premix.gate.curves import room_curve
from premix.model.gate import Riff
from premix.model.settings import Gate
from tests.gate.gated_riff import compared_riff, envelopes
from tests.rigs.sections import Part, SectionTake, Truth, section_take

Audio = npt.NDArray[np.float64]

TOLD_DB, TOLD_OVER_BLEED_DB = 8.0, 3.0
"""Starts and stops can be told to 10 ms where the guitar is this far above the mics' noise and above the bleed."""
EDGE_S = 0.06
"""So far around an edge that cannot be told nothing is judged."""
SETTLED_S = 0.05
"""After hold and release the room is measured from here on."""
NOISE_DB, STEP_S = 6.0, 0.02
"""A fade counts while the guitar is this far above the mics' noise, in steps of 20 ms."""


@dataclass(frozen=True)
class GatedTake:
    """A take, the riff that was found in it, and the room's gain. told_db: level down to which times are judged."""

    take: SectionTake
    riff: Riff
    gain: Audio
    gate: Gate
    told_db: float


def gate_take(seed: int, parts: Sequence[Part], folder: Path, gate: Gate | None = None, **settings: Any) -> GatedTake:
    """Play a take (settings: of `section_take`), find its riff, and gate its room."""
    take, gate = section_take(seed, parts, **settings), gate or Gate()
    weights = 1.0 / np.sqrt(np.mean(take.close**2, axis=1))
    riff = compared_riff(envelopes(take.close, take.rate, folder), weights, take.delays, gate)
    gain = _gain(riff, gate, take, take.arrival)
    noise_db = max(settings.get("hiss_db", -50.0), settings.get("hum_db", -60.0)) + TOLD_DB
    bleed_db = settings.get("bleed_db")
    told_db = noise_db if bleed_db is None else max(noise_db, bleed_db + TOLD_OVER_BLEED_DB)
    return GatedTake(take, riff, gain, gate, told_db)


def _gain(riff: Riff, gate: Gate, take: SectionTake, arrival: float) -> Audio:
    """The gain of what hears the guitar `arrival` samples after the key."""
    curve = room_curve(riff.spans, gate, rate=take.rate, frames=take.room.size, arrival_samples=arrival)
    gain = np.empty(take.room.size)
    constant = curve_gain(curve, 0, gain)
    if constant is not None:
        gain[:] = constant
    return gain


def times(case: GatedTake, which: int) -> tuple[Audio, Audio]:
    """(true, found) starts (which 0) or stops (1) that can be told. What was found where none can be told, around a
    swell, after a decay into noise or bleed, is left out unless it is one of the true ones."""
    known: list[float] = []
    grey: list[tuple[float, float]] = []
    stopped_s: float | None = 0.0
    for passage in case.take.passages:
        starts = passage.sharp_on and passage.level_db >= case.told_db
        ends = starts and passage.sharp_off and passage.end_db >= case.told_db
        if starts and stopped_s is not None:
            known += [passage.on_s] if which == 0 else []
        else:
            grey.append(((stopped_s or passage.on_s) - EDGE_S, passage.on_s + EDGE_S if starts else passage.off_s))
        if passage.kind == "swell":
            ends = passage.end_db >= case.told_db
        known += [passage.off_s] if which == 1 and ends else []
        if not ends:
            grey.append((passage.on_s + EDGE_S, np.inf))
        stopped_s = passage.off_s if ends else None
        grey = [
            (on, min(off, passage.on_s + EDGE_S) if off == np.inf and on < passage.on_s else off) for on, off in grey
        ]
    found = np.array([span[which] for span in case.riff.spans])
    true = np.array(known)
    out = np.zeros(found.size, bool)
    for on, off in grey:
        out |= (found > on) & (found < off)
    out[[b for _, b in mir_eval.util.match_events(true, found, 0.010)]] = False
    return true, found[~out]


def lost_db(case: GatedTake, passage: Truth) -> float:
    """What the gate takes of the guitar's direct sound in the room during a passage, in dB."""
    kept, whole = _energies(case, passage)
    return -10.0 * np.log10(max(1e-12, kept / whole)) if whole else 0.0


def _energies(case: GatedTake, passage: Truth) -> tuple[float, float]:
    """Energy of the guitar's direct sound in the room during a passage, gated and ungated; while it is `NOISE_DB` above
    the noise of the close mics."""
    take = case.take
    start, stop = (round(t * take.rate + take.arrival) for t in (passage.on_s, passage.off_s))
    direct, gain = take.direct[start:stop], case.gain[start:stop]
    heard = _heard(take, start - round(take.arrival), stop - round(take.arrival))[: direct.size]
    direct = direct[: heard.size] * heard
    return float(np.sum((gain[: heard.size] * direct) ** 2)), float(np.sum(direct**2))


def lost_by_section(case: GatedTake) -> Iterator[float]:
    """What the passages of each section's level lose together, in dB."""
    for level_db in sorted({passage.level_db for passage in case.take.passages}):
        kept, whole = np.sum([_energies(case, p) for p in case.take.passages if p.level_db == level_db], axis=0)
        yield -10.0 * np.log10(max(1e-12, kept / whole)) if whole else 0.0


LOUD_DBFS = -18.0
"""Level of the loud riff in the stem: the alignment level of EBU R68."""


@dataclass(frozen=True)
class GatedStem:
    """A stem under the gate too. noise_dbfs: (stops) before and after it, in stops that are long enough. changed_db: of
    every section's riff, what the gate changes against what is there; -120 where nothing."""

    noise_dbfs: list[tuple[float, float]]
    changed_db: list[float]


def gate_stem(case: GatedTake) -> GatedStem:
    """The same gate on the sum of the close mics, aligned to a sample, as a stem's loud riff is `LOUD_DBFS`."""
    take, gate = case.take, case.gate
    late = np.round(take.delays).astype(int)
    aligned = [p * np.roll(mic, -by) for mic, by, p in zip(take.close, late, take.polarities, strict=True)]
    stem = np.sum(aligned, axis=0) / len(aligned)
    gain = _gain(case.riff, gate, take, 0.0)
    spans = [slice(round(p.on_s * take.rate), round(p.off_s * take.rate)) for p in take.passages]
    loud = [stem[span] for span, p in zip(spans, take.passages, strict=True) if p.level_db == 0.0 and p.kind == "riff"]
    stem *= 10.0 ** ((LOUD_DBFS - _dbfs(np.concatenate(loud))) / 20.0)
    stops = [
        tuple(_dbfs(part[start:stop]) for part in (stem, gain * stem)) for _, start, stop in _long_stops(case, 0.0)
    ]
    changed = []
    for level_db in sorted({p.level_db for p in take.passages}):
        played = np.concatenate(
            [np.arange(take.room.size)[s] for s, p in zip(spans, take.passages, strict=True) if p.level_db == level_db]
        )
        played = played[_heard(take, 0, take.room.size)[played]]
        changed.append(max(-120.0, _dbfs(((gain - 1.0) * stem)[played]) - _dbfs(stem[played])))
    return GatedStem([(before, after) for before, after in stops], changed)


def _dbfs(part: Audio) -> float:
    """Level of some samples, rms, of a sine of full scale 0 (AES17)."""
    return 10.0 * float(np.log10(max(1e-20, 2.0 * float(np.mean(part**2)))))


def _heard(take: SectionTake, start: int, stop: int) -> npt.NDArray[np.bool_]:
    """Where the guitar in the first close mic is above its noise."""
    step = round(STEP_S * take.rate)
    noise = float(np.mean(take.noise**2)) * 10.0 ** (NOISE_DB / 10.0)
    size = (stop - start) // step * step
    power = np.mean(take.guitar[start : start + size].reshape(-1, step) ** 2, axis=1)
    heard = np.repeat(power > noise, step)
    return np.concatenate([heard, np.full(stop - start - size, bool(heard[-1]) if heard.size else True)])


def left_db(case: GatedTake) -> list[tuple[float, float]]:
    """(time, level in dB against the ungated room) of what is left in every stop that is long enough."""
    left = []
    for off_s, start, stop in _long_stops(case, case.take.arrival):
        room, gain = case.take.room[start:stop], case.gain[start:stop]
        if room.size:
            share = float(np.sum((room[: gain.size] * gain) ** 2) / np.sum(room**2))
            left.append((off_s, 10.0 * np.log10(max(1e-12, share))))
    return left


def _long_stops(case: GatedTake, late: float) -> Iterator[tuple[float, int, int]]:
    """(when the guitar stops, first and last sample of what is judged) of every stop that can be told and is long
    enough. late: samples, of what is gated."""
    take, gate = case.take, case.gate
    after = (gate.hold_ms + gate.release_ms) / 1000.0 + SETTLED_S
    before = (gate.lookahead_ms + gate.attack_ms) / 1000.0 + 0.01
    for passage, next_on in zip(take.passages, [p.on_s for p in take.passages[1:]] + [take.seconds], strict=True):
        if passage.sharp_off and passage.end_db >= case.told_db and next_on - passage.off_s > after + before:
            times_s = passage.off_s + late / take.rate + after, next_on + late / take.rate - before
            start, stop = (min(take.room.size, round(t * take.rate)) for t in times_s)
            if stop > start:
                yield passage.off_s, start, stop
