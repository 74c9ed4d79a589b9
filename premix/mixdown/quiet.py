"""How much quieter the gate made a room mic in the stops: levels before and after, frame by frame, streamed."""

import numpy as np
import numpy.typing as npt

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

    def __init__(self, stops: npt.NDArray[np.int64]) -> None:
        self._stops = stops
        self._sum_db = 0.0
        self._frames = 0

    def feed(self, start: int, before: FloatArray, after: FloatArray) -> None:
        """Take the room's samples from `start` on, before and after the gate, both (n,)."""
        count = len(before) // FRAME
        places = start + FRAME * np.arange(count)
        stop = np.searchsorted(self._stops[:, 0], places, side="right") - 1
        inside = stop >= 0
        inside[inside] = places[inside] + FRAME <= self._stops[stop[inside], 1]
        levels = [block[: count * FRAME].reshape(count, FRAME)[inside] for block in (before, after)]
        energy, left = (np.vecdot(frames, frames) for frames in levels)
        heard = energy > 0.0
        with np.errstate(divide="ignore"):  # a gate that shuts to nothing
            quieter_db = np.minimum(-10.0 * np.log10(left[heard] / energy[heard]), MOST_DB)
        for level_db in quieter_db.tolist():  # one by one, so that blocks change nothing
            self._sum_db += level_db
        self._frames += len(quieter_db)

    def reduction_db(self) -> float | None:
        """How much quieter, as a positive number of dB; None without sound in stops."""
        return self._sum_db / self._frames if self._frames else None
