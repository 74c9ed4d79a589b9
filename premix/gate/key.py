"""The key: the level of the aligned close-mic sum, read from the envelopes on disk chunk by chunk."""

from collections.abc import Iterator

import numpy as np

from premix.arrays import FloatArray
from premix.model.tracks import KeyEnvelopes
from premix.units import db_to_power, ms_to_samples

CHUNK_FRAMES = 1 << 14
"""Control frames read at once, about 16 s."""
BRIDGE_MS = 30.0
"""Dips shorter than this are filled: longer than a period of the lowest string (25 ms at 40 Hz), yet shorter
than a stop."""
PEAK_MS = 15.0
"""Peaks shorter than this are cut: clicks and the crack of a drum, shorter than any played note."""
QUIETEST_DB = -140.0


class Key:
    """Level over time of one performance's close mics, aligned and summed.

    The envelope of the sum is taken as the sum of the mics' own: key(t) = sum_m w_m sqrt(power_m(t + shift_m)).
    Aligned mics are in phase, band by band, and then amplitudes add. Where they are not quite (a sum efficiency
    of -1 dB) the key reads that much too high at all times alike, and its level against its own loud level is
    the same. Only noise of the single mics adds by power instead: the key may show the stops up to
    10 log10(M) dB noisier than they are, never quieter.

    envelopes: mean squares at the control rate. weights: (M,) linear gains; mics of weight 0 are not used.
    shifts: (M,) samples by which each mic is advanced.
    """

    def __init__(self, envelopes: KeyEnvelopes, weights: FloatArray, shifts: FloatArray) -> None:
        self.frames, self.hop = envelopes.frames, envelopes.hop
        self.frame_s = envelopes.hop / envelopes.rate
        self._envelopes = envelopes
        self._used = np.flatnonzero(weights)
        self._weights = np.abs(weights)
        self._whole = np.floor(shifts / envelopes.hop).astype(int)
        self._part = shifts / envelopes.hop - self._whole
        self._bridge, self._peak = self.span(BRIDGE_MS) | 1, self.span(PEAK_MS) | 1

    def exact_span(self, ms: float) -> float:
        """Control frames in a time in ms, not rounded."""
        return ms_to_samples(ms, self._envelopes.rate) / self.hop

    def span(self, ms: float) -> int:
        """Control frames in a time in ms, rounded, at least 1."""
        return max(1, round(self.exact_span(ms)))

    def chunks(self, before: int, after: int) -> Iterator[tuple[int, FloatArray]]:
        """(first frame, level in dB) of the song cut into chunks, each with `before` and `after` frames more.

        The power is averaged over three frames, which calms the flutter of noise; then grey closing and opening
        (Serra, Image Analysis and Mathematical Morphology, 1982) fill short dips and cut short peaks. Unlike an
        averaging window they leave an edge between two longer stretches where it is. Outside of the song the
        key is mirrored. The levels do not depend on how the song is cut.
        """
        halo = self._bridge + self._peak - 2
        for start in range(0, self.frames, CHUNK_FRAMES):
            stop = min(self.frames, start + CHUNK_FRAMES)
            begin, end = start - before - halo - 1, stop + after + halo + 1
            amplitude = self._amplitude(max(0, begin), min(self.frames, end))
            outside = (max(0, -begin), max(0, end - self.frames))
            power = np.square(np.pad(amplitude, outside, mode="symmetric") if any(outside) else amplitude)
            power = (power[:-2] + power[1:-1] + power[2:]) / 3.0
            level = 10.0 * np.log10(np.maximum(power, db_to_power(QUIETEST_DB)))
            level = _running_min(running_max(level, self._bridge), self._bridge)
            yield start, running_max(_running_min(level, self._peak), self._peak)

    def _amplitude(self, start: int, stop: int) -> FloatArray:
        """The key of frames start to stop: each mic's envelope, taken at its own, fractional frame."""
        total = np.zeros(stop - start)
        if not self._used.size:
            return total
        first = start + int(self._whole[self._used].min())
        last = stop + int(self._whole[self._used].max()) + 1
        inside = np.sqrt(self._envelopes.read(first, last), dtype=np.float64)
        missing = min(max(0, -first), last - first)
        for m in self._used:
            envelope = np.zeros(last - first)
            envelope[missing : missing + inside.shape[1]] = inside[m]
            at, part = start + int(self._whole[m]) - first, float(self._part[m])
            total += (self._weights[m] * (1.0 - part)) * envelope[at : at + total.size]
            if part:
                total += (self._weights[m] * part) * envelope[at + 1 : at + 1 + total.size]
        return total


def running_max(x: FloatArray, width: int) -> FloatArray:
    """Highest of every `width` values in a row: x.size - width + 1 values, in about log2(width) steps."""
    done = 1
    while 2 * done <= width:
        x = np.maximum(x[:-done], x[done:])
        done *= 2
    return np.maximum(x[: x.size - (width - done)], x[width - done :]) if width > done else x


def _running_min(x: FloatArray, width: int) -> FloatArray:
    return -running_max(-x, width)
