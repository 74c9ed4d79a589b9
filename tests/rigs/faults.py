"""Faults put into finished recordings of a set-up, one mic of one performance each, with their truth.

Nothing here is premix's own code: splices, exact shifts by a Fourier transform, resampling by soxr, filters by scipy.
Signals are of shape (M, n), in the order of the mics, the reference first; `delay_samples` > 0 is late.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt
import scipy.fft
import soxr
from scipy.signal import butter, sosfilt

from tests.rigs.noises import rms

FloatArray = npt.NDArray[np.float64]
Kind = Literal[
    "jump", "turned", "drift", "late", "entry", "dropout", "faded", "swapped", "doubled", "moment", "slipped", "foreign"
]
KINDS: tuple[Kind, ...] = get_args(Kind)
EDGE_S = 1.0
"""No change nearer to either end of the song."""
FLOOR_DB = -66.0
"""A mic that hears nothing still hisses, this far under its guitar."""


@dataclass(frozen=True, slots=True)
class Fault:
    """What was done: to which mic (its number), from when to when, and how much.

    size: samples of a jump or of lateness, ppm of a drift, dB of a fade; 0 where the kind says it all. other: the mic
    that it was swapped with, or is a copy of.
    """

    kind: Kind
    mic: int
    from_s: float
    to_s: float
    size: float = 0.0
    other: int | None = None

    def words(self, names: tuple[str, ...], rate: int) -> str:
        """'ribbon jumps by +1.250 ms at 12.3 s'"""
        name, ms = names[self.mic], 1000.0 * self.size / rate
        other = "" if self.other is None else names[self.other]
        return {
            "jump": f"{name} jumps by {ms:+.3f} ms at {self.from_s:.2f} s",
            "turned": f"{name} is turned over from {self.from_s:.2f} to {self.to_s:.2f} s",
            "drift": f"{name} drifts by {self.size:+.1f} ppm from {self.from_s:.2f} s on",
            "late": f"{name} is {ms:+.2f} ms late",
            "entry": f"{name} joins at {self.to_s:.2f} s",
            "dropout": f"{name} is silent from {self.from_s:.2f} to {self.to_s:.2f} s",
            "faded": f"{name} loses {-self.size:.1f} dB at {self.from_s:.2f} s",
            "swapped": f"{name} and {other} are swapped",
            "doubled": f"{name} is a copy of {other}",
            "moment": f"{name} is elsewhere ({ms:+.3f} ms, 0: turned over) from {self.from_s:.2f} to {self.to_s:.2f} s",
            "slipped": f"{name} is {ms:+.1f} ms late from {self.from_s:.2f} to {self.to_s:.2f} s",
            "foreign": f"{name} plays another place from {self.from_s:.2f} to {self.to_s:.2f} s",
        }[self.kind]


@dataclass(frozen=True, slots=True)
class Injected:
    """A performance with a fault. signals: (M, n) as recorded.

    in_step: (M, n) the same mics, as loud as recorded, with the time and polarity that each had before: what the best
    time-varying alignment can get back.
    """

    fault: Fault
    signals: FloatArray
    in_step: FloatArray


def shifted(signal: FloatArray, delay_samples: float) -> FloatArray:
    """The signal (n) late by any part of a sample, silence coming in."""
    room = int(np.ceil(abs(delay_samples))) + 4096
    size = scipy.fft.next_fast_len(len(signal) + 2 * room, real=True)
    padded = np.zeros(size)
    padded[room : room + len(signal)] = signal
    turn = np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size * delay_samples)
    moved = scipy.fft.irfft(scipy.fft.rfft(padded) * turn, size)
    return np.ascontiguousarray(moved[room : room + len(signal)])


def spliced(before: FloatArray, after: FloatArray, at: int, fade: int) -> FloatArray:
    """One signal up to sample `at`, the other from there on, crossfaded over `fade` samples."""
    weight = np.clip((np.arange(len(before)) - at + fade / 2) / max(1, fade), 0.0, 1.0)
    mixed: FloatArray = (1.0 - weight) * before + weight * after
    return mixed


def drifted(signal: FloatArray, rate: int, ppm: float, start: int) -> FloatArray:
    """From sample `start` on by a clock that makes `ppm` too many samples: later and later for ppm > 0."""
    slow = soxr.resample(signal[start:], rate, rate * (1.0 + 1e-6 * ppm), quality="VHQ")
    whole = np.concatenate([signal[:start], slow, np.zeros(max(0, len(signal) - start - len(slow)))])
    return np.ascontiguousarray(whole[: len(signal)])


def inject(
    kind: Kind, signals: FloatArray, rate: int, rng: np.random.Generator, *, late_ms: tuple[float, float] = (5.0, 400.0)
) -> Injected:
    """One fault of a kind on a mic that `rng` chooses, the reference now and then; sizes as in the table below.

    jump: 0.2 to 10 ms either way. turned: for the rest of the song, or for a part. drift: 2 to 100 ppm, from the
    beginning or from a place on. late: late_ms. entry: the mic joins after 15 to 60 % of the song. dropout: silent for
    2 s to a half of it. faded: 15 to 40 dB softer from a place on. swapped: two files. doubled: a copy of another mic,
    up to 2 ms late, its treble turned by up to 4 dB. moment: turned over, or 0.5 to 10 ms elsewhere, for 1 to 5 s.
    slipped: 25 to 350 ms late for 2 to 12 s. foreign: something else of the song for 2 to 12 s.
    """
    mic = int(rng.integers(1, len(signals)))
    if kind in ("jump", "turned", "drift") and rng.uniform() < 0.12:
        mic = 0
    return _INJECT[kind](signals, mic, rate, rng, late_ms)


def _place(signals: FloatArray, rate: int, rng: np.random.Generator) -> int:
    return round(float(rng.uniform(EDGE_S, signals.shape[1] / rate - EDGE_S)) * rate)


def _with(signals: FloatArray, mic: int, signal: FloatArray) -> FloatArray:
    changed = signals.copy()
    changed[mic] = signal
    return changed


def _seconds(signals: FloatArray, rate: int) -> float:
    return float(signals.shape[1]) / rate


def _jump(signals: FloatArray, mic: int, rate: int, rng: np.random.Generator, _late: object) -> Injected:
    at, fade = _place(signals, rate, rng), int(rng.choice([0, round(0.005 * rate)]))
    size = float(np.exp(rng.uniform(np.log(0.2), np.log(10.0)))) * 1e-3 * rate * float(rng.choice([-1.0, 1.0]))
    size = round(size) if rng.uniform() < 0.5 else size  # a latency is whole samples; a bump is not
    after = spliced(signals[mic], shifted(signals[mic], size), at, fade)
    return Injected(Fault("jump", mic, at / rate, _seconds(signals, rate), size), _with(signals, mic, after), signals)


def _turned(signals: FloatArray, mic: int, rate: int, rng: np.random.Generator, _late: object) -> Injected:
    at, end = _place(signals, rate, rng), signals.shape[1]
    back = end
    if rng.uniform() < 0.4 and end - at > 5 * rate:
        back = round(float(rng.uniform(at + 3.0 * rate, end - EDGE_S * rate)))
    after = spliced(signals[mic], -signals[mic], at, 0)
    if back < end:
        after = spliced(after, signals[mic], back, 0)
    return Injected(Fault("turned", mic, at / rate, back / rate), _with(signals, mic, after), signals)


def _drift(signals: FloatArray, mic: int, rate: int, rng: np.random.Generator, _late: object) -> Injected:
    start = _place(signals, rate, rng) // 2 if rng.uniform() < 0.33 else 0
    ppm = float(np.exp(rng.uniform(np.log(2.0), np.log(100.0))) * rng.choice([-1.0, 1.0]))
    after = drifted(signals[mic], rate, ppm, start)
    return Injected(
        Fault("drift", mic, start / rate, _seconds(signals, rate), ppm), _with(signals, mic, after), signals
    )


def _late(signals: FloatArray, mic: int, rate: int, rng: np.random.Generator, late_ms: tuple[float, float]) -> Injected:
    mic = max(1, mic)
    size = float(np.exp(rng.uniform(*np.log(late_ms)))) * 1e-3 * rate
    size = round(size) if rng.uniform() < 0.5 else size
    after = shifted(signals[mic], size)
    return Injected(Fault("late", mic, 0.0, _seconds(signals, rate), size), _with(signals, mic, after), signals)


def _silenced(signal: FloatArray, start: int, end: int, db: float, rng: np.random.Generator) -> FloatArray:
    """The signal with start to end turned down by `db`, over 10 ms at either side, its hiss left."""
    gain = np.ones(len(signal))
    gain[start:end] = 10.0 ** (db / 20.0)
    ramp = 480
    gain = np.convolve(np.pad(gain, ramp, mode="edge"), np.ones(ramp) / ramp, "same")[ramp:-ramp]
    hiss = 10.0 ** (FLOOR_DB / 20.0) * rms(signal) * rng.standard_normal(len(signal))
    quieter: FloatArray = signal * gain + (1.0 - gain) * hiss
    return quieter


def _entry(signals: FloatArray, mic: int, rate: int, rng: np.random.Generator, _late: object) -> Injected:
    end = round(float(rng.uniform(0.15, 0.6)) * signals.shape[1])
    heard = _with(signals, mic, _silenced(signals[mic], 0, end, -100.0, rng))
    return Injected(Fault("entry", mic, 0.0, end / rate), heard, heard)


def _dropout(signals: FloatArray, mic: int, rate: int, rng: np.random.Generator, _late: object) -> Injected:
    frames = signals.shape[1]
    length = round(float(rng.uniform(2.0 * rate, 0.5 * frames)))
    start = round(float(rng.uniform(EDGE_S * rate, frames - length - EDGE_S * rate)))
    heard = _with(signals, mic, _silenced(signals[mic], start, start + length, -100.0, rng))
    return Injected(Fault("dropout", mic, start / rate, (start + length) / rate), heard, heard)


def _faded(signals: FloatArray, mic: int, rate: int, rng: np.random.Generator, _late: object) -> Injected:
    at, db = _place(signals, rate, rng), -float(rng.uniform(15.0, 40.0))
    heard = _with(signals, mic, _silenced(signals[mic], at, signals.shape[1], db, rng))
    return Injected(Fault("faded", mic, at / rate, _seconds(signals, rate), db), heard, heard)


def _swapped(signals: FloatArray, mic: int, rate: int, rng: np.random.Generator, _late: object) -> Injected:
    other = int(rng.choice([m for m in range(1, len(signals)) if m != mic]))
    order = np.arange(len(signals))
    order[[mic, other]] = order[[other, mic]]
    return Injected(Fault("swapped", mic, 0.0, _seconds(signals, rate), 0.0, other), signals[order], signals[order])


def _doubled(signals: FloatArray, mic: int, rate: int, rng: np.random.Generator, _late: object) -> Injected:
    other = int(rng.choice([m for m in range(len(signals)) if m != mic]))
    copy = signals[other] * 10.0 ** (rng.uniform(-6.0, 6.0) / 20.0)
    if rng.uniform() < 0.6:
        lows = np.asarray(sosfilt(butter(1, float(rng.uniform(1000.0, 3000.0)), fs=rate, output="sos"), copy))
        copy = lows + 10.0 ** (rng.uniform(-4.0, 4.0) / 20.0) * (copy - lows)
    size = float(rng.uniform(0.0, 0.002)) * rate if rng.uniform() < 0.6 else 0.0
    late = shifted(copy, size) if size else copy
    fault = Fault("doubled", mic, 0.0, _seconds(signals, rate), size, other)
    return Injected(fault, _with(signals, mic, late), _with(signals, mic, copy))


def _passage(
    signals: FloatArray, rate: int, rng: np.random.Generator, least_s: float, most_s: float
) -> tuple[int, int]:
    """First and last sample of a passage, at most 40 % of the song."""
    frames = signals.shape[1]
    length = min(round(float(rng.uniform(least_s, most_s)) * rate), round(0.4 * frames))
    start = round(float(rng.uniform(EDGE_S * rate, frames - length - EDGE_S * rate)))
    return start, start + length


def _replaced(signals: FloatArray, mic: int, other: FloatArray, start: int, end: int) -> FloatArray:
    """The signals with another one in a mic's place from start to end, over 5 ms at either side."""
    into = spliced(signals[mic], other, start, 240)
    return _with(signals, mic, spliced(into, signals[mic], end, 240))


def _moment(signals: FloatArray, mic: int, rate: int, rng: np.random.Generator, _late: object) -> Injected:
    start, end = _passage(signals, rate, rng, 1.0, 5.0)
    size = float(np.exp(rng.uniform(np.log(0.5), np.log(10.0)))) * 1e-3 * rate * float(rng.choice([-1.0, 1.0]))
    size = 0.0 if rng.uniform() < 0.5 else size
    other = shifted(signals[mic], size) if size else -signals[mic]
    heard = _replaced(signals, mic, other, start, end)
    return Injected(Fault("moment", mic, start / rate, end / rate, size), heard, signals)


def _slipped(signals: FloatArray, mic: int, rate: int, rng: np.random.Generator, _late: object) -> Injected:
    start, end = _passage(signals, rate, rng, 2.0, 12.0)
    size = round(float(np.exp(rng.uniform(np.log(0.025), np.log(0.35)))) * rate)
    heard = _replaced(signals, mic, shifted(signals[mic], size), start, end)
    return Injected(Fault("slipped", mic, start / rate, end / rate, size), heard, signals)


def _foreign(signals: FloatArray, mic: int, rate: int, rng: np.random.Generator, _late: object) -> Injected:
    start, end = _passage(signals, rate, rng, 2.0, 12.0)
    size = round(float(rng.uniform(0.3, 0.6)) * signals.shape[1])
    heard = _replaced(signals, mic, np.roll(signals[mic], -size), start, end)
    return Injected(Fault("foreign", mic, start / rate, end / rate, size), heard, signals)


Inject = Callable[[FloatArray, int, int, np.random.Generator, tuple[float, float]], Injected]
_INJECT: dict[Kind, Inject] = {
    "jump": _jump,
    "turned": _turned,
    "drift": _drift,
    "late": _late,
    "entry": _entry,
    "dropout": _dropout,
    "faded": _faded,
    "swapped": _swapped,
    "doubled": _doubled,
    "moment": _moment,
    "slipped": _slipped,
    "foreign": _foreign,
}
