"""A stop-and-go riff taken through the gate, and what can be measured of it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import mir_eval
import numpy as np
import numpy.typing as npt
from scipy.signal import butter, sosfilt

from premix.audio.bands import BAND_SCALE, KeyPower
from premix.audio.gains import curve_gain
from premix.demo.rig import MICS
from premix.gate.agreement import agreed_of
from premix.gate.curves import room_curve
from premix.gate.riff import find_riff
from premix.model.gate import Curve, Riff
from premix.model.settings import Gate
from premix.model.tracks import BandSignals, KeyEnvelopes
from tests.rigs.riffs import StopAndGo, stop_and_go
from tests.rigs.songs import keys_of

Audio = npt.NDArray[np.float64]

AUDIBLE_DB = 8.0
"""A stop can be told to milliseconds when the riff is this far above the noise as it ends."""
HELD_S = 0.15
"""A sustain decays from this many seconds after its start (as the rig plays it)."""
CLICKS_HZ, CLICK_S = 10_000.0, 0.010


@dataclass(frozen=True)
class GatedRiff:
    """rig: what was played and recorded. arrival: of the room, in samples after the key. audible: (stops)
    whether the riff stops audibly above its noise."""

    rig: StopAndGo
    riff: Riff
    curve: Curve
    arrival: float
    audible: npt.NDArray[np.bool_]

    def gains(self, size: int = 1 << 16) -> Audio:
        """The room's gain over the song, asked for in blocks of `size`."""
        out = np.empty(self.rig.room.size)
        for at in range(0, out.size, size):
            block = out[at : at + size]
            constant = curve_gain(self.curve, at, block)
            if constant is not None:
                block[:] = constant
        return out


def envelopes(close: Audio, rate: int, folder: Path, performance: str = "left") -> KeyEnvelopes:
    """Key envelopes of close mics, shape (mics, frames), and their band where there are two, as the analysis leaves
    them."""
    hop = round(rate / 1000)
    powers, bands = [], []
    for signal in close:
        meter = KeyPower(rate, hop)
        both = (meter.feed_both(signal), meter.finish_both())
        powers.append(np.concatenate([power for power, _ in both]))
        bands.append(np.concatenate([band for _, band in both]))
        step = meter.step
    names = tuple(mic.name for mic in MICS[: len(close)])
    keys = keys_of(performance, np.stack(powers).astype(np.float64), names, folder, rate)
    if len(close) < 2:
        return keys
    path = folder / f"{performance}.band"
    np.stack(bands, axis=1).tofile(path)
    return replace(keys, band=BandSignals(names, step, len(bands[0]), BAND_SCALE, path))


def compared_riff(keys: KeyEnvelopes, weights: Audio, shifts: Audio, gate: Gate) -> Riff:
    """The riff in the key, its mics compared with each other first, as a render does."""
    return find_riff(keys, weights, shifts, gate, agreed=agreed_of(keys, weights != 0.0, shifts))


def gate_riff(seed: int, folder: Path, gate: Gate | None = None, **settings: Any) -> GatedRiff:
    """Play a riff of the rig (settings: of `stop_and_go`), find it in its key, and gate its room."""
    rig, gate = stop_and_go(seed, **settings), gate or Gate()
    late = [0.0, (MICS[1].distance_cm - MICS[0].distance_cm) / 100.0 / 343.2 * rig.rate]
    riff = compared_riff(envelopes(rig.key, rig.rate, folder), np.ones(2), np.array(late), gate)
    arrival = (MICS[4].delay_s() - MICS[0].delay_s()) * rig.rate
    curve = room_curve(riff.spans, gate, rate=rig.rate, frames=rig.room.size, arrival_samples=arrival)
    noises = [settings.get("hiss_db", -40.0), settings.get("hum_db", -50.0), settings.get("bleed_db")]
    noise_db = max(db for db in noises if db is not None)
    audible = np.array(rig.end_db) - noise_db >= AUDIBLE_DB
    if settings.get("fade_out"):
        audible[-1] = False
    return GatedRiff(rig, riff, curve, arrival, audible)


def boundaries(case: GatedRiff, which: int) -> tuple[Audio, Audio]:
    """(true, found) starts (which 0) or stops (1) that can be told. Left out are stops that are not audible,
    the starts after them, and what was found between such a stop's note and the next start."""
    spans = np.array(case.rig.spans)
    known = case.audible if which else np.concatenate([[True], case.audible[:-1]])
    found = np.array([span[which] for span in case.riff.spans])
    ignored = np.zeros(found.size, bool)
    for index in np.flatnonzero(~case.audible):
        next_start = spans[index + 1, 0] if index + 1 < len(spans) else np.inf
        end = next_start if which else next_start + 0.05
        ignored |= (found > spans[index, 0] + HELD_S) & (found < end)
    return spans[known, which], found[~ignored]


def f_measure(pairs: Sequence[tuple[Audio, Audio]], window_s: float) -> float:
    """F-measure of all (true, found) times, each found one matched to one true one (mir_eval.onset)."""
    hits = sum(len(mir_eval.util.match_events(true, found, window_s)) for true, found in pairs)
    total = sum(true.size + found.size for true, found in pairs)
    return 2.0 * hits / total if total else 1.0


def errors_ms(true: Audio, found: Audio) -> Audio:
    """Found minus true, of the pairs within 50 ms."""
    return np.array([1000.0 * (found[b] - true[a]) for a, b in mir_eval.util.match_events(true, found, 0.05)])


def opening_db(case: GatedRiff) -> Audio:
    """Gain in dB at the room's first direct sound, for every start that can be told."""
    starts, _ = boundaries(case, 0)
    at = np.minimum(np.floor(starts * case.rig.rate + case.arrival).astype(int), case.rig.room.size - 1)
    return np.asarray(20.0 * np.log10(case.gains()[at]))


def clicks_db(case: GatedRiff) -> float:
    """Energy above 10 kHz in 10 ms around every corner of the curve, gated against ungated: the largest
    excess."""
    high = butter(8, CLICKS_HZ, "highpass", fs=case.rig.rate, output="sos")
    before, after = sosfilt(high, case.rig.room), sosfilt(high, case.rig.room * case.gains())
    half, excess = round(CLICK_S * case.rig.rate / 2), [-np.inf]
    for corner in case.curve.positions[1:-1].tolist():
        part = slice(max(0, corner - half), corner + half)
        excess.append(10.0 * np.log10(np.sum(after[part] ** 2) / np.sum(before[part] ** 2)))
    return float(max(excess))
