"""The key: the level of the aligned close-mic sum, read from the envelopes on disk chunk by chunk."""

from collections.abc import Iterator

import numpy as np

from premix.model.analysis import FloatArray, KeyEnvelopes
from premix.units import db_to_power, ms_to_samples

CHUNK_FRAMES = 1 << 16
"""Control frames read at once, about a minute."""

BRIDGE_MS = 30.0
"""Dips shorter than this are filled: longer than one period of the lowest string (25 ms at 40 Hz), shorter
than a stop."""
PEAK_MS = 15.0
"""Peaks shorter than this are cut: clicks and the first crack of a drum, shorter than any played note."""
QUIETEST_DB = -140.0


class Key:
    """Level over time of one performance's close mics, aligned and summed.

    The envelope of the sum is taken as the sum of the mics' own envelopes, key(t) = sum_m w_m sqrt(power_m(t
    + shift_m)). Aligned mics are in phase band by band, and then amplitudes add. Where they are not quite (a
    sum efficiency of -1 dB) the key reads that much too high, at all times alike, and a level against the
    key's own loud level stays the same. Only noise of the single mics adds by power instead, so the key never
    makes the stops quieter than they are.

    envelopes: mean squares at the control rate. weights: (M,) linear gains, >= 0; mics of weight 0 are not
    used. shifts: (M,) samples by which each mic is advanced.
    """

    def __init__(self, envelopes: KeyEnvelopes, weights: FloatArray, shifts: FloatArray) -> None:
        self._envelopes = envelopes
        self._weights = np.abs(weights)
        self._shifts = shifts / envelopes.hop
        self.frames = envelopes.frames
        self.hop = envelopes.hop
        self.frame_s = envelopes.hop / envelopes.rate
        self._bridge, self._peak = self.span(BRIDGE_MS) | 1, self.span(PEAK_MS) | 1
        self._halo = 1 + 2 * (self._bridge + self._peak)

    def exact_span(self, ms: float) -> float:
        """Control frames in a time in ms, not rounded."""
        return ms_to_samples(ms, self._envelopes.rate) / self.hop

    def span(self, ms: float) -> int:
        """Control frames in a time in ms, rounded, at least 1."""
        return max(1, round(self.exact_span(ms)))

    def level_db(self, start: int, stop: int) -> FloatArray:
        """Level of the control frames start to stop (clipped to the song), in dB re full scale.

        The power is averaged over three frames, which calms the flutter of noise; then grey closing and
        opening (Serra, Image Analysis and Mathematical Morphology, 1982) fill short dips and cut short peaks.
        Unlike an averaging window they leave an edge between two longer stretches where it is. The result
        does not depend on how the song is cut up.
        """
        from scipy.ndimage import grey_closing, grey_opening  # slow to import

        start, stop = max(0, start), min(self.frames, stop)
        begin = max(0, start - self._halo)
        power = np.square(self._amplitude(begin - 1, min(self.frames, stop + self._halo) + 1))
        smooth = (power[:-2] + power[1:-1] + power[2:]) / 3.0
        level: FloatArray = 10.0 * np.log10(np.maximum(smooth, db_to_power(QUIETEST_DB)))
        if not level.size:
            return level
        level = grey_closing(level, size=(self._bridge,), mode="nearest")
        level = grey_opening(level, size=(self._peak,), mode="nearest")
        return level[start - begin : stop - begin]

    def chunks(self, before: int, after: int) -> Iterator[tuple[int, FloatArray]]:
        """(first frame, level) of the song cut into chunks. Each level has `before` and `after` frames more
        than the chunk; beyond the song's ends its first and last level go on."""
        for start in range(0, self.frames, CHUNK_FRAMES):
            stop = min(self.frames, start + CHUNK_FRAMES)
            begin, end = max(0, start - before), min(self.frames, stop + after)
            level = self.level_db(begin, end)
            yield start, np.pad(level, (begin - start + before, stop + after - end), mode="edge")

    def _amplitude(self, start: int, stop: int) -> FloatArray:
        """The key of frames start to stop: each mic's envelope at its own, fractional frame."""
        total = np.zeros(max(0, stop - start))
        for m in np.flatnonzero(self._weights):
            first = start + int(np.floor(self._shifts[m]))
            part = self._shifts[m] - np.floor(self._shifts[m])
            envelope = self._envelope(int(m), first, first + total.size + 1)
            total += self._weights[m] * ((1.0 - part) * envelope[:-1] + part * envelope[1:])
        return total

    def _envelope(self, m: int, start: int, stop: int) -> FloatArray:
        """Envelope of mic m, frames start to stop; outside of the song the mic is silent."""
        inside = np.sqrt(self._envelopes.read(start, stop)[m].astype(np.float64))
        before = min(max(0, -start), stop - start)
        return np.pad(inside, (before, stop - start - before - inside.size))
