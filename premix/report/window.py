"""Which stretch of the song is shown and heard, and where each performance attacks most clearly."""

from dataclasses import dataclass

import numpy as np

from premix.arrays import FloatArray
from premix.audio.reader import TrackReader
from premix.model.gate import Gating
from premix.model.mix import PerformancePlan
from premix.model.run import FinishedRun
from premix.units import gain_to_db, ms_to_samples, power_to_db, s_to_samples, samples_to_s

SECONDS = 12.0
"""Length of the stretch: long enough to judge a riff, short enough for a page of many clips."""
LEAD_S = 0.25
"""How long before a start the stretch begins."""
_MOST_STARTS = 256
_TINY_POWER = 1e-14


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of the common time line, in samples."""

    start: int
    frames: int

    def seconds(self, rate: int) -> tuple[float, float]:
        """(begin, end) in seconds."""
        return samples_to_s(self.start, rate), samples_to_s(self.start + self.frames, rate)


def busiest_window(gating: Gating, rate: int, frames: int, seconds: float) -> Window:
    """The stretch with the most starts and stops of the riff, so that attacks and gate are both in it.

    frames: length of the song. The whole song where it is shorter; the earliest of equal ones; the song's begin
    where nothing plays.
    """
    length = round(s_to_samples(seconds, rate))
    if length >= frames:
        return Window(0, frames)
    edges = np.sort([edge for riff in gating.riffs for span in riff.spans for edge in span])
    starts = np.sort([span[0] for riff in gating.riffs for span in riff.spans]) - LEAD_S
    if not starts.size:
        return Window(0, length)
    starts = np.clip(starts, 0.0, samples_to_s(frames - length, rate))
    counts = np.searchsorted(edges, starts + seconds) - np.searchsorted(edges, starts)
    return Window(round(s_to_samples(float(starts[np.argmax(counts)]), rate)), length)


def clearest_attack(run: FinishedRun, plan: PerformancePlan) -> int | None:
    """Sample at which the performance's clearest attack begins; None where it never starts.

    The start of a passage with the steepest rise of the key, then the first sample of the mics' largest track
    there that reaches a quarter of its peak. At most 256 starts, evenly spread, are looked at.
    """
    spans = run.gating.riff_of(plan.performance).spans
    if not spans or not plan.close:
        return None
    spans = spans[:: -(-len(spans) // _MOST_STARTS)]
    onset_s = max(spans, key=lambda span: _rise_db(run, plan.performance, span[0]))[0]
    rate = run.tracks.rate
    begin, length = round(s_to_samples(onset_s - 0.02, rate)), round(s_to_samples(0.06, rate))
    reference = next((p for p in plan.close if p.track.mic == run.alignment.reference), plan.close[0])
    samples = np.empty(length)
    with TrackReader(reference.track) as reader:
        reader.read(begin + round(reference.delay_samples), samples)
    return begin + int(np.argmax(np.abs(samples) >= 0.25 * np.abs(samples).max()))


def _rise_db(run: FinishedRun, performance: str, onset_s: float) -> float:
    """Level of the 30 ms after a start against the 40 ms that end 10 ms before it."""
    envelopes = run.analysis.envelopes_of(performance)
    frame = round(onset_s * envelopes.rate / envelopes.hop)
    before, after = (
        envelopes.read(frame + a, frame + b).astype(np.float64).mean() if b + frame > 0 else 0.0
        for a, b in ((-50, -10), (0, 30))
    )
    return power_to_db(max(float(after), _TINY_POWER)) - power_to_db(max(float(before), _TINY_POWER))


def key_level_db(run: FinishedRun, performance: str, window: Window, points: int) -> tuple[FloatArray, FloatArray]:
    """(time in s, level in dB) of a performance's key over a window: the highest level of each of `points` steps.

    The key as the gate hears it but for its smoothing: the amplitudes of the close mics (the sub mics' only where
    there are no others) at their gains, added.
    """
    envelopes, rate = run.analysis.envelopes_of(performance), run.tracks.rate
    gains = {p.track.mic: abs(p.gain) for p in _plan_of(run, performance).close}
    roles = {mic: run.alignment.of(performance, mic).role for mic in gains}
    if "close" in roles.values():
        gains = {mic: gain for mic, gain in gains.items() if roles[mic] == "close"}
    first, last = window.start // envelopes.hop, (window.start + window.frames) // envelopes.hop
    powers = envelopes.read(first, last).astype(np.float64)
    key = sum(gains.get(mic, 0.0) * np.sqrt(powers[m]) for m, mic in enumerate(envelopes.mics))
    key = np.broadcast_to(key, powers.shape[1])
    cuts = np.unique(np.linspace(0, len(key), min(points, max(1, len(key))) + 1).astype(int)[:-1])
    highest = np.maximum.reduceat(key, cuts) if len(key) else np.zeros(0)
    times = (first + cuts[: len(highest)]) * envelopes.hop / rate
    return times, np.array([gain_to_db(float(value)) for value in highest])


def _plan_of(run: FinishedRun, performance: str) -> PerformancePlan:
    return next(p for p in run.plan.performances if p.performance == performance)


def attack_window(attack: int, rate: int) -> Window:
    """From 2 ms before an attack to 10 ms after it."""
    return Window(attack - round(ms_to_samples(2.0, rate)), round(ms_to_samples(12.0, rate)))
