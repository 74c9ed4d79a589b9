"""Short stretches of a song as samples: a mic as it goes into the sum, as recorded or aligned, or a written file.

Only the excerpt is read, so an hour of song costs no more than a minute. What is mixed here nulls against the
written files; no processor of a `chain` is applied.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

import numpy as np

from premix.arrays import FloatArray
from premix.audio.delays import TAPS, advance_fir, split_delay
from premix.audio.filters import mic_sections
from premix.audio.gains import curve_gain
from premix.audio.headers import read_header
from premix.audio.reader import TrackReader
from premix.model.mix import MicPath, PerformancePlan
from premix.model.tracks import Track

_BEFORE = TAPS // 2  # samples before a place that its delay filter reaches back to


class Stream(Protocol):
    """Samples from a place on, piece by piece."""

    def next(self, count: int) -> FloatArray: ...

    def close(self) -> None: ...


class MicExcerpt:
    """One mic at its gain and filters from `start` on. aligned: with its polarity and delay, else as recorded."""

    def __init__(self, path: MicPath, rate: int, start: int, *, aligned: bool) -> None:
        whole, rest = split_delay(path.delay_samples if aligned else 0.0)
        self._gain = path.gain if aligned else abs(path.gain)
        self._taps = advance_fir(rest) if rest else None
        rotation = path.rotation if aligned else None
        self._sections = mic_sections(rate, path.high_pass_hz, path.low_pass_hz, rotation)
        self._state = np.zeros((len(self._sections), 2))
        self._reader = TrackReader(path.track)
        self._position = start + whole
        if len(self._sections):  # a second is long against any filter that a mic has
            self._position -= rate
            self.next(rate)

    def next(self, count: int) -> FloatArray:
        """The next `count` samples, shape (count,)."""
        if self._taps is None:
            samples = np.empty(count)
            self._reader.read(self._position, samples)
        else:
            around = np.empty(count + TAPS - 1)
            self._reader.read(self._position - _BEFORE, around)
            samples = np.convolve(around, self._taps, "valid")
        self._position += count
        if len(self._sections):
            from scipy.signal import sosfilt  # slow to import

            samples, self._state = sosfilt(self._sections, samples, zi=self._state)
        samples *= self._gain
        return samples

    def close(self) -> None:
        self._reader.close()


class SumExcerpt:
    """The sum of several streams, times a gain."""

    def __init__(self, streams: Sequence[Stream], gain: float = 1.0) -> None:
        self._streams, self._gain = streams, gain

    def next(self, count: int) -> FloatArray:
        total = np.zeros(count)
        for stream in self._streams:
            total += stream.next(count)
        return total * self._gain

    def close(self) -> None:
        for stream in self._streams:
            stream.close()


class GatedExcerpt:
    """A room mic through its gate."""

    def __init__(self, path: MicPath, rate: int, start: int) -> None:
        self._mic = MicExcerpt(path, rate, start, aligned=True)
        self._curve, self._position = path.curve, start

    def next(self, count: int) -> FloatArray:
        samples = self._mic.next(count)
        if self._curve is not None:
            gain = np.empty(count)
            steady = curve_gain(self._curve, self._position, gain)
            samples *= gain if steady is None else steady
        self._position += count
        return samples

    def close(self) -> None:
        self._mic.close()


class FileExcerpt:
    """One channel of a written file from `start` on."""

    def __init__(self, path: Path, channel: int, start: int) -> None:
        header = read_header(path)
        self.rate = header.rate
        self._reader = TrackReader(Track("", "", header, 0, channel))
        self._position = start

    def next(self, count: int) -> FloatArray:
        samples = np.empty(count)
        self._reader.read(self._position, samples)
        self._position += count
        return samples

    def close(self) -> None:
        self._reader.close()


def close_sum(plan: PerformancePlan, rate: int, start: int, *, aligned: bool) -> SumExcerpt:
    """The close mics of a performance, summed, at its gain."""
    return SumExcerpt([MicExcerpt(path, rate, start, aligned=aligned) for path in plan.close], plan.gain)


def room_sum(plan: PerformancePlan, rate: int, start: int, *, gated: bool) -> SumExcerpt:
    """The room mics of a performance as they are mixed, through their gates or open, at its gain."""
    rooms = [
        GatedExcerpt(path, rate, start) if gated else MicExcerpt(path, rate, start, aligned=True) for path in plan.rooms
    ]
    return SumExcerpt(rooms, plan.gain)
