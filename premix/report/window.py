"""Which stretch of the song is shown and heard, and where each performance attacks most clearly."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from premix.arrays import FloatArray
from premix.audio.reader import TrackReader
from premix.model.gate import Span
from premix.model.mix import PerformancePlan
from premix.model.song import Performance, Song
from premix.model.tracks import KeyEnvelopes
from premix.units import ms_to_samples, power_to_db, s_to_samples, samples_to_s

SECONDS = 8.0
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


def busiest_window(song: Song, seconds: float) -> Window:
    """The stretch of a song with the most starts and stops of the riff."""
    spans = [span for performance in song.performances for span in performance.riff.spans]
    return busiest_stretch(spans, song.frames, song.rate, seconds)


def busiest_stretch(played: Sequence[Span], frames: int, rate: int, seconds: float) -> Window:
    """The stretch with the most starts and stops of what is played, so that attacks and gate are both in it.

    The whole song where it is shorter; the earliest of equal ones; the song's begin where nothing plays.
    """
    length = round(s_to_samples(seconds, rate))
    if length >= frames:
        return Window(0, frames)
    spans = np.array(played).reshape(-1, 2)
    if not len(spans):
        return Window(0, length)
    edges = np.sort(spans, axis=None)
    starts = np.clip(np.sort(spans[:, 0]) - LEAD_S, 0.0, samples_to_s(frames - length, rate))
    counts = np.searchsorted(edges, starts + seconds) - np.searchsorted(edges, starts)
    return Window(round(s_to_samples(float(starts[np.argmax(counts)]), rate)), length)


def window_around(at_s: float, song: Song, seconds: float) -> Window:
    """The stretch with a place in its middle, as far as the song reaches."""
    length = min(song.frames, round(s_to_samples(seconds, song.rate)))
    start = round(s_to_samples(at_s, song.rate)) - length // 2
    return Window(min(max(start, 0), song.frames - length), length)


def fullest_window(song: Song, seconds: float) -> Window:
    """The stretch in which most is played, all performances together; ends and ties as `busiest_window` has them."""
    length = round(s_to_samples(seconds, song.rate))
    if length >= song.frames:
        return Window(0, song.frames)
    spans = np.array([span for performance in song.performances for span in performance.riff.spans]).reshape(-1, 2)
    if not len(spans):
        return Window(0, length)
    last_s = samples_to_s(song.frames - length, song.rate)
    starts = np.unique(np.clip(np.concatenate((spans[:, 0] - LEAD_S, spans[:, 1] - seconds)), 0.0, last_s))
    bounds, played = np.sort(spans[:, 0]), np.sort(spans[:, 1])

    def before(times: FloatArray) -> FloatArray:
        """Seconds that are played before each of some times."""
        begun = np.searchsorted(bounds, times) * times - _sums(bounds)[np.searchsorted(bounds, times)]
        ended = np.searchsorted(played, times) * times - _sums(played)[np.searchsorted(played, times)]
        return begun - ended

    best = int(np.argmax(np.round(before(starts + seconds) - before(starts), 6)))
    return Window(round(s_to_samples(float(starts[best]), song.rate)), length)


def _sums(values: FloatArray) -> FloatArray:
    """0, and the sums of the first one, two, ... values."""
    return np.concatenate((np.zeros(1), np.cumsum(values)))


def clearest_attack(song: Song, performance: Performance, plan: PerformancePlan) -> int | None:
    """Sample at which the performance's clearest attack begins; None where it never starts.

    The start of a passage with the steepest rise of the key, then the first sample of the mics' largest track
    there that reaches a quarter of its peak. At most 256 starts, evenly spread, are looked at.
    """
    spans = performance.riff.spans
    if not spans or not plan.close:
        return None
    spans = spans[:: -(-len(spans) // _MOST_STARTS)]
    onset_s = max(spans, key=lambda span: _rise_db(performance.envelopes, span[0]))[0]
    begin, length = round(s_to_samples(onset_s - 0.02, song.rate)), round(s_to_samples(0.06, song.rate))
    reference = plan.close[reference_place(song, plan)]
    samples = np.empty(length)
    with TrackReader(reference.track) as reader:
        reader.read(begin + round(reference.delay_samples), samples)
    return begin + int(np.argmax(np.abs(samples) >= 0.25 * np.abs(samples).max()))


def reference_place(song: Song, plan: PerformancePlan) -> int:
    """Which of the close mics in the sum is the reference: the first one where the song's is not among them."""
    mics = [path.track.mic for path in plan.close]
    return mics.index(song.reference) if song.reference in mics else 0


def _rise_db(envelopes: KeyEnvelopes, onset_s: float) -> float:
    """Level of the 30 ms after a start against the 40 ms that end 10 ms before it."""
    frame = round(onset_s * envelopes.rate / envelopes.hop)
    before, after = (
        envelopes.read(frame + a, frame + b).astype(np.float64).mean() if b + frame > 0 else 0.0
        for a, b in ((-50, -10), (0, 30))
    )
    return power_to_db(max(float(after), _TINY_POWER)) - power_to_db(max(float(before), _TINY_POWER))


def attack_window(attack: int, rate: int) -> Window:
    """From 2 ms before an attack, or the song's begin, to 10 ms after it."""
    start = max(0, attack - round(ms_to_samples(2.0, rate)))
    return Window(start, attack - start + round(ms_to_samples(10.0, rate)))
