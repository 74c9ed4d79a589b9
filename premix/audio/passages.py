"""A track whose delay or polarity changes in the song, read as if it had held one of each all through.

Every passage has a way of its own through the file: whole samples are copied, bit for bit; a fraction is the Kaiser
sinc of `filters.py`; a drift is that sinc with a fraction that moves from sample to sample. Its taps are polynomials
of the fraction (Farrow, "A continuously variable digital delay element", IEEE ISCAS 1988), so samples cost one filter
for each power, however the fraction moves. Ten powers keep the sinc's own error: below -120 dB to 0.9 of Nyquist.

Where one passage ends and the next begins the two are crossfaded, linearly: both sides are the same sound.
"""

import functools
import itertools
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from premix.arrays import ComplexArray, FloatArray
from premix.audio.filters import TAPS, advance_fir, split_delay
from premix.audio.reader import TrackReader
from premix.model.alignment import Passage
from premix.model.tracks import Track

CROSSFADE_S = 0.005
_FFT = 4096
_ROW = 3840
"""Samples made at once, at fixed places of the time line: what asks for them has no effect on them. The rest of the
transform is the sinc's reach and the way a delay moves in a row: 160 samples, 4 % of its length."""
_POWERS = 10
_FAR = 1 << 60


class PassageReader(AbstractContextManager["PassageReader"]):
    """One track, read block by block through its passages.

    `read` gives what TrackReader would if the mic had had `delay_samples` and `polarity` from the first sample to the
    last: advanced by that delay and multiplied by that polarity it is in place all through. passages: on the time line
    of the song, that is, of the advanced samples; one after the other. The first also holds before it, the last after.
    """

    def __init__(
        self, track: Track, passages: Sequence[Passage], delay_samples: float, polarity: int, rate: int
    ) -> None:
        if not passages:
            raise ValueError("a track without passages is read by a TrackReader")
        self.track = track
        self._stretches = _stretches(passages, delay_samples, rate)
        self._reader = TrackReader(track)
        self._ways = [_way(self._reader, passage, delay_samples, polarity, rate) for passage in passages]

    def __exit__(self, *error: object) -> None:
        self.close()

    def close(self) -> None:
        self._reader.close()

    def read(self, start: int, out: FloatArray) -> None:
        """Fill `out` (n,) with samples start to start + n; as TrackReader.read."""
        end = start + len(out)
        for stretch, way in zip(self._stretches, self._ways, strict=True):
            first, last = max(start, stretch.begin), min(end, stretch.end)
            if first >= last:
                continue
            piece = np.empty(last - first)
            way.read(first, piece)
            here = out[first - start : last - start]
            rising = min(max(0, stretch.full - first), len(piece))
            rise = (np.arange(first, first + rising) - stretch.begin + 0.5) / max(1, stretch.full - stretch.begin)
            here[:rising] += rise * (piece[:rising] - here[:rising])
            here[rising:] = piece[rising:]


@dataclass(frozen=True, slots=True)
class _Stretch:
    """The samples of a passage: from `begin` it rises over the one before, from `full` it is there, at `end` gone."""

    begin: int
    full: int
    end: int


def _stretches(passages: Sequence[Passage], delay_samples: float, rate: int) -> list[_Stretch]:
    """The passages as samples to be advanced by `delay_samples`; a crossfade is no longer than either side of it."""
    most = round(CROSSFADE_S * rate / 2)
    halves = [min(most, max(0, round((passage.to_s - passage.from_s) * rate)) // 2) for passage in passages]
    edges = [
        (round(after.from_s * rate + delay_samples), min(half, next_half))
        for after, half, next_half in zip(passages[1:], halves[:-1], halves[1:], strict=True)
    ]
    begins = [(-_FAR, -_FAR), *((edge - half, edge + half) for edge, half in edges)]
    ends = [*(edge + half for edge, half in edges), _FAR]
    return [_Stretch(begin, full, end) for (begin, full), end in zip(begins, ends, strict=True)]


class _Way(Protocol):
    """One passage, as if it lasted for ever."""

    def read(self, start: int, out: FloatArray) -> None: ...


def _way(reader: TrackReader, passage: Passage, delay_samples: float, polarity: int, rate: int) -> _Way:
    sign = passage.polarity * polarity
    whole, rest = split_delay(passage.delay_samples - delay_samples)
    if rest == 0.0 and passage.ppm == 0.0:
        return _Copied(reader, sign, whole)
    at = passage.from_s * rate + delay_samples
    return _Interpolated(reader, sign, passage.delay_samples - delay_samples, 1e-6 * passage.ppm, at)


class _Copied:
    """Samples of the file, `later` ones than asked for."""

    def __init__(self, reader: TrackReader, sign: int, later: int) -> None:
        self._reader, self._sign, self._later = reader, sign, later

    def read(self, start: int, out: FloatArray) -> None:
        self._reader.read(start + self._later, out)
        if self._sign < 0:
            np.negative(out, out=out)


class _Interpolated:
    """Sound between the samples: at m that of the file at m + later + slope (m - at)."""

    def __init__(self, reader: TrackReader, sign: int, later: float, slope: float, at: float) -> None:
        self._reader, self._later, self._slope, self._at = reader, later, slope, at
        taps = sign * (powers_of_advance() if slope else advance_fir(split_delay(later)[1])[None])
        self._responses: ComplexArray = np.fft.rfft(taps, _FFT)
        self._row, self._made = -_FAR, np.empty(_ROW)

    def read(self, start: int, out: FloatArray) -> None:
        done = 0
        while done < len(out):
            row, inside = divmod(start + done, _ROW)
            if row != self._row:
                self._make(row)
            part = self._made[inside : inside + len(out) - done]
            out[done : done + len(part)] = part
            done += len(part)

    def _make(self, row: int) -> None:
        """All samples of a row into `_made`.

        A row of the file, from TAPS/2 samples before the first that is near; in what comes back, sample TAPS - 1 is
        the file's own there. The fraction runs evenly, so samples with the same shift lie side by side.
        """
        asked = np.arange(row * _ROW, (row + 1) * _ROW)
        later = self._later + self._slope * (asked - self._at)
        shift = np.rint(later).astype(np.int64)
        begin = int(asked[0] + shift[0])
        heard = np.empty(_FFT)
        self._reader.read(begin - TAPS // 2, heard)
        filtered = np.fft.irfft(np.fft.rfft(heard) * self._responses, _FFT)
        fraction = later - shift
        turns = [0, *(np.flatnonzero(np.diff(shift)) + 1).tolist(), _ROW]
        for first, last in itertools.pairwise(turns):
            from_ = int(asked[first] + shift[first]) - begin + TAPS - 1
            made = self._made[first:last]
            made[:] = filtered[-1, from_ : from_ + last - first]
            for branch in filtered[-2::-1]:
                made *= fraction[first:last]
                made += branch[from_ : from_ + last - first]
        self._row = row


@functools.cache
def powers_of_advance() -> FloatArray:
    """(_POWERS, TAPS) such that the sum of fraction^k times row k is `advance_fir(fraction)`, from -0.5 to 0.5.

    Fitted at Chebyshev nodes, where a polynomial through the points strays least in between.
    """
    nodes = 0.5 * np.cos(np.pi * (np.arange(_POWERS) + 0.5) / _POWERS)
    taps = np.stack([advance_fir(float(node)) for node in nodes])
    return np.asarray(np.linalg.solve(np.vander(nodes, increasing=True), taps), np.float64)
