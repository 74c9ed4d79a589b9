"""How much quieter the gate made a room mic in the stops: levels before and after, frame by frame, streamed."""

from collections.abc import Sequence

import numpy as np

from premix.model.analysis import FloatArray

FRAME = 480
"""Samples of one level frame (10 ms at 48 kHz); it divides the render's hop, so blocking changes nothing."""
MOST_DB = 140.0


class QuietMeter:
    """Mean level difference, in dB, over the frames of one room mic that lie in the stops of its riff.

    stops: (S, 2) first sample of every stop and of the passage after it, on the common time line, ascending.
    A mean of levels, not of energies: the ear hears how deep a stop is and how long, and the first milliseconds
    of a decaying room would hide both in a mean of energies.
    """

    def __init__(self, stops: Sequence[tuple[int, int]]) -> None:
        self._stops = np.array(stops, np.int64).reshape(-1, 2)
        self._sum_db = 0.0
        self._frames = 0

    def feed(self, start: int, before: FloatArray, after: FloatArray) -> None:
        """Take the room's samples from `start` on, before and after the gate, both (n,)."""
        count = len(before) // FRAME
        places = start + FRAME * np.arange(count)
        stop = np.searchsorted(self._stops[:, 0], places, side="right") - 1
        inside = stop >= 0
        inside[inside] = places[inside] + FRAME <= self._stops[stop[inside], 1]
        for frame in np.flatnonzero(inside).tolist():
            part = slice(frame * FRAME, (frame + 1) * FRAME)
            energy = float(np.dot(before[part], before[part]))
            if energy > 0.0:
                left = float(np.dot(after[part], after[part])) / energy
                self._sum_db += min(MOST_DB, -10.0 * np.log10(left)) if left > 0.0 else MOST_DB
                self._frames += 1

    def reduction_db(self) -> float | None:
        """How much quieter, as a positive number of dB; None without sound in stops."""
        return self._sum_db / self._frames if self._frames else None
