"""Stop-and-go riffs with known start and stop times, as two close mics and a room mic hear them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.signal import oaconvolve

from premix.demo.playing import HAND_S, Stroke, Take, play
from premix.demo.rig import LEAD, MICS, DemoMic, amplify, impulse_response
from tests.rigs.guitars import Technique, real_stroke
from tests.rigs.noises import at_level, drums, hiss, hum, rms

FloatArray = npt.NDArray[np.float64]
Span = tuple[float, float]
Samples = Literal["real", "synth"]

LEAD_IN_S = 0.5
SHORTEST_STOP_S = 0.060
LONGEST_STOP_S = 0.400
QUIET_DB = -12.0
FADE_DB = -60.0
FADE_OFF_DB = -30.0
"""A fade-out has ended, for the truth, where it is this far down."""


@dataclass(frozen=True, slots=True)
class StopAndGo:
    """A riff as recorded, and when the guitar really plays.

    key: (K, frames), the close mics named in key_mics, as recorded (the second is later than the first).
    room: (frames), 3.2 m away. spans: (on_s, off_s) at the first key mic. on: the pick's sound arrives.
    off: the hand has killed the strings (5 ms after its touch), or a fade-out is 30 dB down. The key may need
    10 ms more to fall by 30 dB: clipping and cabinet ring on. loud: rms of the first key mic in loud parts.
    end_db: how far under the loud level each span is when it ends: 0 but for sustains that have decayed, the
    quiet verse and the fade-out; where it comes near the hiss, nothing can find the stop within milliseconds.
    quiet: (on_s, off_s) of the quiet verse, None without.
    """

    rate: int
    key_mics: tuple[str, ...]
    key: FloatArray
    room: FloatArray
    spans: tuple[Span, ...]
    end_db: tuple[float, ...]
    loud: float
    quiet: Span | None

    @property
    def seconds(self) -> float:
        return len(self.room) / self.rate


@dataclass(frozen=True, slots=True)
class Arrangement:
    """What is played: strokes in passages, and the level the amp is turned to: (time_s, level_db) points."""

    take: Take
    level: tuple[tuple[float, float], ...]
    seconds: float
    quiet: Span | None

    def level_at(self, time_s: float) -> float:
        return float(level_at(self.level, [time_s])[0])


def level_at(points: Sequence[tuple[float, float]], times_s: npt.ArrayLike) -> FloatArray:
    """Levels in dB at some times, between the points (time_s, level_db)."""
    times, levels = np.array(points).T
    return np.asarray(np.interp(np.asarray(times_s, np.float64), times, levels))


def stop_and_go(
    seed: int,
    *,
    rate: int = 48000,
    tempo_bpm: float = 120.0,
    n_bars: int = 4,
    samples: Samples = "real",
    quiet_verse: bool = False,
    fade_out: bool = False,
    sustain_db: float = -30.0,
    hiss_db: float = -40.0,
    hum_db: float = -50.0,
    bleed_db: float | None = None,
) -> StopAndGo:
    """A riff of n_bars: palm mutes, chords, tremolo, long sustains, stops of 60 to 400 ms.

    quiet_verse: the middle third is 12 dB softer. fade_out: the last phrase is held and faded away.
    sustain_db: how far long sustains have decayed when they are stopped. hiss_db, hum_db, bleed_db (drums;
    None: no drummer): rms against that of the loud passages of each mic; -24 is a drummer in the same house.
    """
    rng = np.random.default_rng([seed, 77])
    arrangement = arrange(rng, tempo_bpm, n_bars, quiet_verse=quiet_verse, fade_out=fade_out, sustain_db=sustain_db)
    frames = round(arrangement.seconds * rate)
    amp = amped(arrangement, frames, rate, rng, samples)
    beat, mains = drums(frames, rate, rng, tempo_bpm), hum(frames, rate, rng)
    heard = []
    for mic in (MICS[0], replace(MICS[1], converter_s=0.0), MICS[4]):
        sound = oaconvolve(amp, impulse_response(mic, rate))[LEAD : LEAD + frames]
        loud = _loud(sound, arrangement, rate)
        noise = at_level(_amp_hiss(frames, rate, rng, mic), hiss_db) + at_level(mains, hum_db)
        if bleed_db is not None:
            # The room mic hears the drummer as well as the guitar's room does.
            noise += at_level(beat, bleed_db + (8.0 if mic.role == "room" else 0.0))
        heard.append(sound + loud * noise)
    late_s = MICS[0].delay_s()
    spans = tuple((on + late_s, off + HAND_S + late_s) for on, off in arrangement.take.passages)
    end_db = tuple(arrangement.level_at(off) for _, off in arrangement.take.passages)
    if fade_out:
        (start, top), (end, bottom) = arrangement.level[-2:]
        off_s = start + (end - start) * FADE_OFF_DB / (bottom - top)
        spans, end_db = (*spans[:-1], (spans[-1][0], off_s + late_s)), (*end_db[:-1], FADE_OFF_DB)
    return StopAndGo(
        rate,
        (MICS[0].name, MICS[1].name),
        np.array(heard[:2]),
        heard[2],
        spans,
        end_db,
        _loud(heard[0], arrangement, rate),
        arrangement.quiet,
    )


def arrange(
    rng: np.random.Generator,
    tempo_bpm: float,
    n_bars: int,
    *,
    quiet_verse: bool = False,
    fade_out: bool = False,
    sustain_db: float = -30.0,
) -> Arrangement:
    """Phrases of one technique each, filling n_bars; every phrase ends in a stop before the next begins."""
    tick = 15.0 / tempo_bpm
    strokes: list[Stroke] = []
    passages: list[Span] = []
    level: list[tuple[float, float]] = [(0.0, 0.0)]
    at, index = 0, 0
    while at < 16 * n_bars:
        kind, length = _phrase(rng, index, min(16 * n_bars - at, 16))
        on_s = LEAD_IN_S + at * tick + float(np.clip(rng.normal(0.0, 0.006), -0.012, 0.012))
        on_s = max(on_s, passages[-1][1] + SHORTEST_STOP_S + HAND_S) if passages else on_s
        stop_s = float(np.exp(rng.uniform(np.log(SHORTEST_STOP_S + 0.01), np.log(LONGEST_STOP_S))))
        off_s = LEAD_IN_S + (at + length) * tick - min(stop_s, 0.6 * length * tick)
        strokes += _strokes(rng, kind, on_s, off_s, tick)
        passages.append((on_s, off_s))
        if kind == "sustain":
            level += [(on_s + 0.15, 0.0), (off_s, sustain_db)]
            level += [(off_s + 0.020, sustain_db), (off_s + 0.030, 0.0)]
        at, index = at + length, index + 1
    seconds = LEAD_IN_S + 16 * n_bars * tick + LEAD_IN_S
    quiet = None
    if quiet_verse:
        quiet, level = _quietened(passages, level)
    if fade_out:
        # The last phrase is one chord, held and faded; no hand mutes it.
        seconds += 1.0
        on_s = passages[-1][0]
        passages[-1] = (on_s, seconds)
        strokes = [s for s in strokes if s.on_s < on_s] + [Stroke(on_s, seconds, "chord", 0, 1.0)]
        level = [point for point in level if point[0] < on_s]
        level += [(on_s, 0.0), (on_s + 0.1, 0.0), (seconds - 0.2, FADE_DB)]
    return Arrangement(Take(tuple(strokes), tuple(passages)), tuple(level), seconds, quiet)


def amped(arrangement: Arrangement, frames: int, rate: int, rng: np.random.Generator, samples: Samples) -> FloatArray:
    """The amp's output, turned to the arrangement's level, shape (frames)."""
    if samples == "synth":
        guitar = play(arrangement.take, frames, rate, rng)
    else:
        guitar = np.zeros(frames)
        for stroke in arrangement.take.strokes:
            start = int(stroke.on_s * rate)
            late_s, played_s = stroke.on_s - start / rate, stroke.off_s - stroke.on_s
            note = real_stroke(stroke.technique, stroke.fret, played_s, late_s, rate, rng)
            note = note[: max(0, frames - start)]
            guitar[start : start + len(note)] += stroke.strength * note
    loud: FloatArray = amplify(guitar, rate) * 10.0 ** (level_at(arrangement.level, np.arange(frames) / rate) / 20.0)
    return loud


def _phrase(rng: np.random.Generator, index: int, room: int) -> tuple[str, int]:
    """Technique and length in sixteenths; the first four phrases show every technique once."""
    kinds = ("chugs", "chord", "sustain", "tremolo")
    kind = kinds[index] if index < 4 else kinds[rng.integers(4)]
    low, high = {"chugs": (2, 7), "chord": (2, 6), "sustain": (10, 16), "tremolo": (3, 8)}[kind]
    length = int(rng.integers(low, high + 1))
    if room - length < 2:
        length = room
    return ("chord" if kind == "sustain" and length < 8 else kind), length


def _strokes(rng: np.random.Generator, kind: str, on_s: float, off_s: float, tick: float) -> list[Stroke]:
    """The strokes of one phrase, each ringing until the next; the last until off_s."""
    technique: Technique = "mute" if kind == "chugs" else "tremolo" if kind == "tremolo" else "chord"
    step = {"chugs": tick * rng.integers(1, 3), "tremolo": tick / 2.0}.get(kind, np.inf)
    count = max(1, int((off_s - on_s) / step + 0.5))
    times = [on_s] + [on_s + i * step + float(rng.normal(0.0, 0.003)) for i in range(1, count)] + [off_s]
    fret = int(rng.choice([0, 0, 0, 1, 3, 5, 7]))
    strengths = rng.uniform(0.8, 1.2, count)
    return [
        Stroke(a, b, technique, fret, float(strength))
        for a, b, strength in zip(times[:-1], times[1:], strengths, strict=True)
    ]


def _quietened(passages: list[Span], level: list[tuple[float, float]]) -> tuple[Span, list[tuple[float, float]]]:
    """The middle third of the passages, and the level curve with them turned down (ramps in the stops)."""
    third = max(1, len(passages) // 3)
    first, last = passages[third][0], passages[2 * third - 1 if third > 1 else third][1]
    steps = [(first - 0.02, 0.0), (first - 0.01, QUIET_DB), (last + 0.03, QUIET_DB), (last + 0.04, 0.0)]
    times = sorted({t for t, _ in level} | {t for t, _ in steps})
    both = level_at(level, times) + level_at(steps, times)
    return (first, last), [(t, float(db)) for t, db in zip(times, both, strict=True)]


def _loud(signal: FloatArray, arrangement: Arrangement, rate: int) -> float:
    """Rms over the passages played at full level."""
    loud = [
        signal[int(on * rate) : int(off * rate)]
        for on, off in arrangement.take.passages
        if np.min(level_at(arrangement.level, np.linspace(on, off, 20))) > -1.0
    ]
    return rms(np.concatenate(loud))


def _amp_hiss(frames: int, rate: int, rng: np.random.Generator, mic: DemoMic) -> FloatArray:
    """Hiss as it leaves the cabinet; a mic's own white noise 25 dB under it."""
    white = hiss(frames, rng)
    through = oaconvolve(white, impulse_response(mic, rate))[LEAD : LEAD + frames]
    return at_level(through, 0.0) + at_level(hiss(frames, rng), -25.0)
