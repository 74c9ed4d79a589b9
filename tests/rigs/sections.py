"""Takes of several sections beside drums: verses far down, fades, last chords, swells, ghost notes, scratches.

What a close mic hears of the drums has come through the air of the room, later and with other levels in each mic than
the guitar, and with a tail of its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, oaconvolve, sosfilt

from premix.demo.playing import HAND_S, Stroke, Take
from premix.demo.rig import LEAD, MICS, DemoMic, amplify, impulse_response
from tests.rigs.noises import at_level, drums, hiss, hum, rms
from tests.rigs.riffs import Arrangement, Samples, amped, arrange

FloatArray = npt.NDArray[np.float64]
Span = tuple[float, float]
Event = Literal["ghost", "scratch"]
Ending = Literal["damped", "ring", "fade"]

GAP_S = 0.35
"""Between sections nobody plays."""
ROOM_MIC = MICS[4]
SOUND_M_S = 343.2
DRUMS_M = 3.6
"""From the drums to the cabinet."""
SPREAD_M = 0.35
"""Close mics are up to this much nearer to the drums, or further off, than the cabinet is."""
OWN_TAIL_DB = -24.0
"""Of the guitar's own room in a close mic, against its direct sound."""
DAMP_S = 0.012


@dataclass(frozen=True, slots=True)
class Part:
    """A section: stop-and-go for some bars at a level, and how its last note ends.

    swell_s: before it a chord swells from nothing to the section's level in so long, and is damped.
    ending: damped; ring: a chord of 2 s that is left to ring and is damped at the noise; fade: a chord faded by
    fade_db. events: ghost notes or scratches in its stops, at event_db against the section.
    """

    bars: int = 3
    level_db: float = 0.0
    swell_s: float = 0.0
    ending: Ending | None = None
    fade_db: float = 60.0
    fade_s: float = 6.0
    chord_s: float = 2.0
    events: Event | None = None
    event_db: float = -20.0


@dataclass(frozen=True, slots=True)
class Truth:
    """A passage: when the guitar sounds at the first key mic, whether its start and stop are sharp, and its level."""

    on_s: float
    off_s: float
    sharp_on: bool = True
    sharp_off: bool = True
    level_db: float = 0.0
    kind: str = "riff"
    end_db: float = 0.0


@dataclass(frozen=True, slots=True)
class SectionTake:
    """A take as recorded, and what is true of it.

    close: (K, frames); delays: (K) samples by which each is late against the first; polarities: (K). room: (frames),
    and direct: (frames) the guitar's direct sound in it, alone. guitar: (frames) the guitar alone in the first close
    mic. noise: (frames) hiss and hum there. arrival: of the room, in samples after the key. passages: what is played,
    in order; events: ghost notes and scratches. loud: rms of the guitar in loud parts.
    """

    rate: int
    close: FloatArray
    delays: FloatArray
    polarities: FloatArray
    room: FloatArray
    direct: FloatArray
    guitar: FloatArray
    noise: FloatArray
    arrival: float
    passages: tuple[Truth, ...]
    events: tuple[Truth, ...]
    loud: float

    @property
    def seconds(self) -> float:
        return len(self.room) / self.rate


@dataclass(slots=True)
class _Score:
    """What is being written down: strokes, levels, passages, events; `at` is where the next section begins."""

    at: float = 0.5
    strokes: list[Stroke] = field(default_factory=list)
    level: list[tuple[float, float]] = field(default_factory=lambda: [(0.0, 0.0)])
    passages: list[Truth] = field(default_factory=list)
    events: list[Truth] = field(default_factory=list)
    scratches: list[tuple[float, float, float]] = field(default_factory=list)
    clicks: list[float] = field(default_factory=list)


def section_take(
    seed: int,
    parts: Sequence[Part],
    *,
    rate: int = 48000,
    tempo_bpm: float = 140.0,
    samples: Samples = "real",
    mics: int = 2,
    hiss_db: float = -50.0,
    hum_db: float = -60.0,
    bleed_db: float | None = None,
    count_in: bool = False,
    rt_s: float = 0.35,
    sustain_db: float = -24.0,
) -> SectionTake:
    """Play the parts one after the other. hiss_db, hum_db, bleed_db: rms against that of the loud riff of each mic.

    count_in: four clicks before the first section, loud in the room and 12 dB under the riff in the close mics.
    rt_s: reverberation time of the room (60 dB).
    """
    rng = np.random.default_rng([seed, 4711])
    score = _Score()
    if count_in:
        score.clicks = [0.4 + 60.0 / tempo_bpm * k for k in range(4)]
        score.at = score.clicks[-1] + 60.0 / tempo_bpm
    for part in parts:
        _write(score, part, rng, tempo_bpm, sustain_db)
    seconds = score.at + 0.8
    frames = round(seconds * rate)
    take = Take(tuple(score.strokes), tuple((p.on_s, p.off_s) for p in score.passages))
    level = _increasing(score.level)
    amp = amped(Arrangement(take, level, seconds, None), frames, rate, rng, samples)
    amp += _scratched(score.scratches, frames, rate, rng, rms(amp[np.abs(amp) > 0.05]))
    return _recorded(score, amp, rng, rate, (mics, hiss_db, hum_db, bleed_db, rt_s, tempo_bpm))


def _recorded(
    score: _Score,
    amp: FloatArray,
    rng: np.random.Generator,
    rate: int,
    settings: tuple[int, float, float, float | None, float, float],
) -> SectionTake:
    count, hiss_db, hum_db, bleed_db, rt_s, tempo_bpm = settings
    frames = len(amp)
    beat, mains = drums(frames, rate, rng, tempo_bpm), hum(frames, rate, rng)
    knock = _clicked(score.clicks, frames, rate, rng)
    late_s = MICS[0].delay_s()
    loud_at = np.zeros(frames, bool)
    for p in score.passages:
        if p.level_db > -1.0 and p.kind == "riff":
            loud_at[round(p.on_s * rate) : round(p.off_s * rate)] = True
    heard, guitar, noise, loud0 = [], np.zeros(frames), np.zeros(frames), 0.0
    stand = MICS[:count]
    for index, mic in enumerate(stand):
        sound = oaconvolve(amp, impulse_response(mic, rate))[LEAD : LEAD + frames]
        own = sound + oaconvolve(sound, _tail(rate, rt_s, rng) * 10.0 ** (OWN_TAIL_DB / 20.0))[:frames]
        loud = rms(own[loud_at])
        still = loud * (at_level(_amp_hiss(amp, rate, rng, mic), hiss_db) + at_level(mains, hum_db))
        total = own + still + loud * _bled(beat, knock, bleed_db, rate, rt_s, rng)
        heard.append(total)
        if index == 0:
            guitar, noise, loud0 = own, still, loud
    # The room: its own reverberation on top of the direct sound, and the drums as loud as they are there.
    direct = _delayed(sosfilt(butter(1, 40.0, "highpass", fs=rate, output="sos"), _cabinet(amp, rate)), ROOM_MIC, rate)
    room = direct + oaconvolve(direct, _tail(rate, rt_s, rng) * 10.0 ** (2.0 / 20.0))[:frames]
    loud = rms(room[loud_at])
    room = room + loud * (at_level(hiss(frames, rng), hiss_db - 6.0))
    if bleed_db is not None:
        room = room + loud * at_level(beat, bleed_db + 8.0)
    room = room + loud * 0.5 * knock
    truth, events = (
        tuple(replace(p, on_s=p.on_s + late_s, off_s=p.off_s + late_s) for p in played)
        for played in (score.passages, score.events)
    )
    first = stand[0].delay_s()
    return SectionTake(
        rate,
        np.array(heard),
        np.array([(mic.delay_s() - first) * rate for mic in stand]),
        np.array([float(mic.polarity * stand[0].polarity) for mic in stand]),
        room,
        direct,
        guitar,
        noise,
        (ROOM_MIC.delay_s() - first) * rate,
        truth,
        events,
        loud0,
    )


def _write(score: _Score, part: Part, rng: np.random.Generator, tempo_bpm: float, sustain_db: float) -> None:
    """Write down one section."""
    if part.swell_s:
        on, off = score.at, score.at + part.swell_s + 0.5
        score.strokes.append(Stroke(on, off, "chord", 0, 1.0))
        score.level += [
            (on - 0.004, -80.0),
            (on, -80.0),
            (on + part.swell_s, part.level_db),
            (off + 0.04, part.level_db),
        ]
        score.passages.append(Truth(on, off + HAND_S, False, True, part.level_db, "swell", part.level_db))
        score.at = off + GAP_S
    if part.bars:
        _riff(score, part, rng, tempo_bpm, sustain_db)
    if part.ending is not None:
        _end(score, part)
    score.at += GAP_S


def _riff(score: _Score, part: Part, rng: np.random.Generator, tempo_bpm: float, sustain_db: float) -> None:
    piece = arrange(rng, tempo_bpm, part.bars, sustain_db=sustain_db)
    shift = score.at - 0.5
    for stroke in piece.take.strokes:
        moved = (stroke.on_s + shift, stroke.off_s + shift)
        score.strokes.append(Stroke(*moved, stroke.technique, stroke.fret, stroke.strength))
    points = np.array(piece.level)
    end = piece.take.passages[-1][1]
    points = points[points[:, 0] < end + 0.035]
    score.level += [(shift + 0.45, part.level_db)]
    score.level += [(float(t) + shift, float(db) + part.level_db) for t, db in points if t > 0.0]
    score.level += [(end + shift + 0.04, part.level_db)]
    spans = [(on + shift, off + shift) for on, off in piece.take.passages]
    for on, off in spans:
        end_db = float(np.interp(off - shift, points[:, 0], points[:, 1])) + part.level_db
        score.passages.append(Truth(on, off + HAND_S, True, True, part.level_db, "riff", end_db))
    if part.events is not None:
        for (_, off), (on, _) in pairwise(spans):
            if on - off > 0.18:
                _event(score, part, 0.5 * (off + on) - 0.02, rng)
    score.at = shift + 0.5 + 16 * part.bars * 15.0 / tempo_bpm


def _event(score: _Score, part: Part, at: float, rng: np.random.Generator) -> None:
    """A ghost note or a scratch of 30 to 50 ms."""
    long = float(rng.uniform(0.03, 0.05))
    level = part.level_db + part.event_db
    if part.events == "ghost":
        score.strokes.append(Stroke(at, at + long, "mute", 0, 1.0))
        score.level += [
            (at - 0.02, part.level_db),
            (at - 0.015, level),
            (at + long + 0.015, level),
            (at + long + 0.02, part.level_db),
        ]
        score.level.sort()
    else:
        score.scratches.append((at, long, level))
    score.events.append(Truth(at, at + long + HAND_S, True, True, level, part.events or "", level))


def _end(score: _Score, part: Part) -> None:
    """The last chord."""
    on = score.at + 0.1
    if part.ending == "fade":
        off = on + 0.3 + part.fade_s
        score.level += [(on - 0.004, part.level_db), (on + 0.3, part.level_db), (off, part.level_db - part.fade_db)]
        score.level += [(off + 0.06, part.level_db - part.fade_db), (off + 0.07, part.level_db)]
        sharp = False
    else:
        off, sharp = on + part.chord_s, part.ending == "damped"
        score.level += [(on - 0.004, part.level_db)]
        if sharp:
            score.level += [(off + 0.04, part.level_db)]
        else:
            # A string's own decay, as the amp lets it through once it no longer clips.
            off = on + part.chord_s + 4.0
            score.level += [
                (on + part.chord_s, part.level_db),
                (off, part.level_db - 75.0),
                (off + 0.05, part.level_db - 75.0),
                (off + 0.06, part.level_db),
            ]
    score.strokes.append(Stroke(on, off, "chord", 0, 1.0))
    score.passages.append(Truth(on, off + HAND_S, True, sharp, part.level_db, str(part.ending), part.level_db))
    score.at = off


def _increasing(points: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    out: list[tuple[float, float]] = []
    for at, db in sorted(points, key=lambda point: point[0]):
        if not out or at > out[-1][0]:
            out.append((at, db))
    return tuple(out)


def _tail(rate: int, rt_s: float, rng: np.random.Generator) -> FloatArray:
    """A diffuse tail of energy 1 that begins 3 ms after the direct sound and falls by 60 dB in rt_s."""
    n = round(1.2 * rt_s * rate)
    time = np.arange(n) / rate
    tail = rng.standard_normal(n) * 10.0 ** (-3.0 * time / rt_s) * (time > 0.003)
    return np.asarray(tail / np.sqrt(np.sum(tail**2)))


def _bled(
    beat: FloatArray, knock: FloatArray, bleed_db: float | None, rate: int, rt_s: float, rng: np.random.Generator
) -> FloatArray:
    """The drums and the count-in's clicks as one close mic hears them, of rms `bleed_db`."""
    frames, late = len(beat), (DRUMS_M + rng.uniform(-SPREAD_M, SPREAD_M)) / SOUND_M_S * rate
    total = np.zeros(frames)
    colour_db = rng.uniform(-2.5, 2.5)
    for source, level in ((beat, bleed_db), (knock, -12.0 if knock.any() else None)):
        if level is not None:
            through = _shifted(source, late)
            through = through + oaconvolve(through, _tail(rate, rt_s, rng))[:frames]
            scaled = at_level(through, level + colour_db) if source is beat else through * 10.0 ** (level / 20.0)
            total += scaled
    return total


def _shifted(signal: FloatArray, samples: float) -> FloatArray:
    """Delayed by a number of samples, fractions by linear phase."""
    size = len(signal) + 4096
    freqs = np.fft.rfftfreq(size)
    return np.asarray(
        np.fft.irfft(np.fft.rfft(signal, size) * np.exp(-2j * np.pi * freqs * samples), size)[: len(signal)]
    )


def _cabinet(amp: FloatArray, rate: int) -> FloatArray:
    return np.asarray(sosfilt(butter(2, 5500.0, fs=rate, output="sos"), amp))


def _delayed(signal: FloatArray, mic: DemoMic, rate: int) -> FloatArray:
    return _shifted(signal, mic.delay_s() * rate)


def _amp_hiss(amp: FloatArray, rate: int, rng: np.random.Generator, mic: DemoMic) -> FloatArray:
    """Hiss as it leaves the cabinet, the same in all mics; a mic's own white noise 15 dB under it."""
    source = np.random.default_rng(int(1e6 * abs(float(amp[len(amp) // 2]))) + 5).standard_normal(len(amp))
    through = oaconvolve(source, impulse_response(mic, rate))[LEAD : LEAD + len(amp)]
    return at_level(through, 0.0) + at_level(hiss(len(amp), rng), -15.0)


def _scratched(
    scratches: Sequence[tuple[float, float, float]], frames: int, rate: int, rng: np.random.Generator, loud: float
) -> FloatArray:
    """Scratches over damped strings: bursts of noise, (on_s, seconds, level_db)."""
    out = np.zeros(frames)
    for at, seconds, level_db in scratches:
        n = round(seconds * rate)
        burst = sosfilt(butter(2, [600.0, 4000.0], "bandpass", fs=rate, output="sos"), rng.standard_normal(n))
        burst = amplify(0.3 * burst, rate) * np.minimum(
            1.0, np.minimum(np.arange(n), n - np.arange(n)) / (0.002 * rate)
        )
        start = round(at * rate)
        out[start : start + n] += loud * at_level(burst, level_db)[: max(0, frames - start)]
    return out


def _clicked(clicks: Sequence[float], frames: int, rate: int, rng: np.random.Generator) -> FloatArray:
    """Sticks: 2 ms of noise around 2.5 kHz that ring for 15 ms, peak about 3."""
    out = np.zeros(frames)
    for at in clicks:
        n = round(0.06 * rate)
        burst = rng.standard_normal(n) * np.exp(-np.arange(n) / (0.006 * rate))
        start = round(at * rate)
        out[start : start + n] += 3.0 * sosfilt(butter(2, [1500.0, 5000.0], "bandpass", fs=rate, output="sos"), burst)
    return out
