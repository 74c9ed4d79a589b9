"""Where exactly a mic changed: two answers are held against the samples themselves, and the place is where the one
stops being the better.

The maximum-likelihood estimate of the place of a change between two known signals is the maximum of the cumulated
difference of what they explain (Basseville & Nikiforov, Detection of Abrupt Changes, 1993, ch. 2).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from premix.arrays import ComplexArray, FloatArray
from premix.audio.passages import PassageReader
from premix.audio.reader import TrackReader
from premix.model.song import Mic, Performance

LONGEST_S = 40.0
"""Longest stretch of a song that is looked through; changes in a longer rest are placed in its first part."""
FURTHEST_S, SAME_S, TELLING_S = 0.5, 0.003, 10.0
"""Slips are looked for up to this; nearer to the best place than this no other is compared with it; so much of the
passage, its middle, is enough."""
LEAST_ALIKE, CLEARLY = 0.15, 1.5
"""A place stands out where the whitened signals correlate by so much, and so many times as well as anywhere else."""
BAND_HZ = {"close": (60.0, 6_000.0), "sub": (35.0, 250.0), "room": (60.0, 4_000.0)}
_SMOOTH_HZ = 60.0

Answer = tuple[float, int]
"""Delay in samples and polarity, as in a decision."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A mic in the mix: what it is read from, through the steps that it has, where it is put, and what it goes
    through, (F) at freqs_hz."""

    mic: Mic
    response: ComplexArray
    freqs_hz: FloatArray

    def spectrum(self, answer: Answer, start: int, stop: int) -> ComplexArray:
        """Of samples `start` to `stop` of the time line, the mic where `answer` puts it."""
        delay, sign = answer
        whole = round(delay)
        samples = np.empty(stop - start)
        track, rate = self.mic.track, self.mic.track.header.rate
        with PassageReader(track, self.mic.steps, 0.0, 1, rate) if self.mic.steps else TrackReader(track) as reader:
            reader.read(start + whole, samples)
        np.nan_to_num(samples, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        spectrum = np.fft.rfft(samples)
        turns = np.arange(len(spectrum)) / len(samples)
        freqs_hz = turns * rate
        parts = (np.interp(freqs_hz, self.freqs_hz, part) for part in (self.response.real, self.response.imag))
        real, imaginary = parts
        return np.asarray(spectrum * np.exp(2j * np.pi * (delay - whole) * turns) * (real + 1j * imaginary) * sign)


def place_of_change(
    one: Heard,
    rest: Sequence[tuple[Heard, Answer]],
    before: Answer,
    after: Answer,
    mean: ComplexArray,
    lo_s: float,
    hi_s: float,
) -> float:
    """When a mic stops being at `before` and begins to be at `after`, between `lo_s` and `hi_s`; as good as the riff
    tells: within a stop any place is as good as another, and its middle is taken.

    rest: the others, each with where it is. mean: (F) phase of the mic against them at freqs_hz.
    """
    rate, role = one.mic.track.header.rate, one.mic.role
    start, stop = round(lo_s * rate), round(min(hi_s, lo_s + LONGEST_S) * rate)
    freqs_hz = np.asarray(np.fft.rfftfreq(stop - start, 1.0 / rate), np.float64)
    heard, first, second = (
        _whitened(spectrum, freqs_hz, stop - start, role)
        for spectrum in (
            _expected(one, rest, mean, start, stop, freqs_hz),
            one.spectrum(before, start, stop),
            one.spectrum(after, start, stop),
        )
    )
    gained = np.cumsum((first - second) * heard)
    best = int(np.argmax(gained))
    # The flat top around the maximum is a stop: its middle is far from sound on both sides.
    even = gained >= gained[best] - 1e-3 * float(np.ptp(gained))
    left = best - int(np.argmin(even[: best + 1][::-1])) + 1 if not even[: best + 1].all() else 0
    right = best + int(np.argmin(even[best:])) - 1 if not even[best:].all() else len(even) - 1
    return (start + 0.5 * (left + right)) / rate


def slip_of(
    one: Heard, rest: Sequence[tuple[Heard, Answer]], here: Answer, mean: ComplexArray, lo_s: float, hi_s: float
) -> Answer | None:
    """By how many samples, and with which sign, a mic plays later than at `here` between `lo_s` and `hi_s`; None where
    no place stands out. rest, mean: as in `place_of_change`.

    The windows of the scan see 20 ms and take what lies beyond for something nearer; the samples see any delay. Both
    sides are whitened (Knapp & Carter, "The generalized correlation method", IEEE Trans. ASSP 24(4), 1976).
    """
    rate, role = one.mic.track.header.rate, one.mic.role
    beyond_s = max(0.0, 0.5 * (hi_s - lo_s - TELLING_S))
    start, stop = round((lo_s + beyond_s) * rate), round((hi_s - beyond_s) * rate)
    count, reach = stop - start, round(FURTHEST_S * rate)
    if count <= 2 * reach:
        reach = count // 2
    freqs_hz = np.asarray(np.fft.rfftfreq(count, 1.0 / rate), np.float64)
    expected = _whitened(_expected(one, rest, mean, start, stop, freqs_hz), freqs_hz, count, role)
    heard = _whitened(one.spectrum(here, start, stop), freqs_hz, count, role)
    size = 1 << (count + reach).bit_length()
    curve = np.fft.irfft(np.fft.rfft(heard, size) * np.fft.rfft(expected, size).conj(), size) / count
    lags = np.arange(-reach, reach + 1)
    values = curve[lags]
    best = int(np.argmax(np.abs(values)))
    height, away = float(abs(values[best])), np.abs(lags - lags[best]) > SAME_S * rate
    if height < LEAST_ALIKE or height < CLEARLY * float(np.abs(values[away]).max(initial=0.0)):
        return None
    sign = 1 if values[best] > 0.0 else -1
    before, top, after = (sign * np.pad(values, 1)[best : best + 3]).tolist()
    bend = 2.0 * top - before - after
    return float(lags[best]) + (0.5 * (after - before) / bend if bend > 0.0 else 0.0), sign  # the top of a parabola


def _expected(
    one: Heard, rest: Sequence[tuple[Heard, Answer]], mean: ComplexArray, start: int, stop: int, freqs_hz: FloatArray
) -> ComplexArray:
    """What the others say that the mic hears from sample `start` to `stop`, its level aside."""
    total = sum(
        (other.spectrum(answer, start, stop) for other, answer in rest),
        np.zeros((stop - start) // 2 + 1, np.complex128),
    )
    turn = np.interp(freqs_hz, one.freqs_hz, mean.real) + 1j * np.interp(freqs_hz, one.freqs_hz, mean.imag)
    return np.asarray(total * turn)


def place_of_level(
    performance: Performance, mic: Mic, others: Sequence[str], lo_s: float, hi_s: float, db: float
) -> float:
    """When the level of a close mic changes by `db` against the others', by the envelopes of the key, to a millisecond.

    The middle of the interval where its envelope is not kept (room mics).
    """
    keys = performance.envelopes
    rows = [keys.mics.index(name) for name in others if name in keys.mics]
    if mic.name not in keys.mics or not rows:
        return 0.5 * (lo_s + hi_s)
    per_s = keys.rate / keys.hop
    power = keys.read(round(lo_s * per_s), round(hi_s * per_s)).astype(np.float64)
    if not power.shape[1]:
        return 0.5 * (lo_s + hi_s)
    common = np.median(power[rows], axis=0)
    ratio = 10.0 * np.log10((power[keys.mics.index(mic.name)] + 1e-14) / (common + 1e-14))
    loud = common > 1e-3 * common.max(initial=0.0)
    if not loud.any():
        return 0.5 * (lo_s + hi_s)
    quarter = max(1, int(np.count_nonzero(loud)) // 8)
    first, last = np.median(ratio[loud][:quarter]), np.median(ratio[loud][-quarter:])
    middle = 0.5 * (first + last) if abs(last - first) > 0.3 * abs(db) else first + 0.5 * db
    gained = np.cumsum(np.where(loud, np.clip((ratio - middle) * -np.sign(db), -abs(db), abs(db)), 0.0))
    return lo_s + float(np.argmax(gained)) / per_s


def _whitened(spectrum: ComplexArray, freqs_hz: FloatArray, count: int, role: str) -> FloatArray:
    """(count) the signal with every part of the role's band equally strong, so that a delay shows wherever there is
    sound."""
    width = max(1, round(_SMOOTH_HZ / freqs_hz[1]))
    sums = np.concatenate([[0.0], np.cumsum(np.abs(spectrum) ** 2)])
    bins = np.arange(len(spectrum))
    low, high = np.maximum(bins - width // 2, 0), np.minimum(bins + width // 2 + 1, len(spectrum))
    size = np.sqrt((sums[high] - sums[low]) / (high - low))
    even = spectrum / (size + 1e-3 * size.max(initial=1e-12))
    first, last = BAND_HZ[role]
    even[(freqs_hz < first) | (freqs_hz > last)] = 0.0
    samples = np.fft.irfft(even, count)
    return np.asarray(samples / max(float(np.sqrt(np.mean(samples**2))), 1e-12))
