"""Cross-spectra of one performance's mics, window by window through the song, kept on disk.

The sum over the whole song says nothing of when a mic changed. So the products of each frame are also added to its
window, and each finished window is written down in few, wide bins: what that takes away lies at long lags, the room and
chance (smoothing a spectrum is a window on the correlation: Blackman & Tukey, The Measurement of Power Spectra, 1958).
Thus a window takes some kilobytes a pair of mics, and the song's length costs no memory.
"""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from premix.arrays import ComplexArray, FloatArray
from premix.model.tracks import Windows

WINDOW_S = 0.68
"""Length of a window: a change is placed to one of them, then refined on the samples."""
MERGED = 8
"""Bins of a frame in one of a window's: 23 Hz, which keeps lags up to 10 ms at 0.9 of their height, and up to 20 ms at
0.7."""
HIGH_HZ = 7_100.0
"""Upper edge of the highest third octave that counts in the sum efficiency."""


_ADDED = np.tile(np.eye(2), (MERGED, 1))
"""What adds up the real and the imaginary parts of as many bins: a matrix product is the fastest of numpy's sums."""


def merged(products: ComplexArray) -> ComplexArray:
    """(P, F / MERGED) sums of neighbouring bins of products (P, F), each row contiguous, F a multiple of MERGED."""
    parts = products.view(np.float64).reshape(len(products), -1, 2 * MERGED)
    sums: ComplexArray = (parts @ _ADDED).view(np.complex128)
    return sums[..., 0]


class WindowCollector:
    """Sums of products by window, in two halves (so that two threads may add), written to `path` as they are done.

    rows: the pairs of mics (m, n) in the order of the sums; freqs_hz: (F) evenly spaced, of the frames; hop: samples
    from one frame to the next.
    """

    def __init__(self, path: Path, rows: Sequence[tuple[int, int]], freqs_hz: FloatArray, hop: int, rate: int) -> None:
        self._path, self._rows = path, tuple(rows)
        bins = int(np.searchsorted(freqs_hz, HIGH_HZ)) // MERGED * MERGED
        self._freqs_hz = freqs_hz[:bins].reshape(-1, MERGED).mean(axis=1)
        self._frames = max(2, round(WINDOW_S * rate / hop))
        self._open: dict[int, ComplexArray] = {}
        self._spare: list[ComplexArray] = []
        self._written = 0
        self._levels: list[float] = []
        self._frame_s = hop / rate
        path.write_bytes(b"")

    def sums(self, half: int, level_db: float, *, silent: bool) -> ComplexArray | None:
        """Count the next frame and give what its merged products are to be added to (P, F); None for a silent one."""
        window = len(self._levels) // self._frames
        self._levels.append(level_db)
        if silent:
            return None
        if window not in self._open:
            self._open[window] = self._spare.pop() if self._spare else self._none()
        sums: ComplexArray = self._open[window][half]
        return sums

    def _none(self) -> ComplexArray:
        return np.zeros((2, len(self._rows), len(self._freqs_hz)), np.complex128)

    def flush(self, *, last: bool = False) -> None:
        """Write the windows that are complete; everything that was given out must have been added."""
        done = len(self._levels) // self._frames + (1 if last and len(self._levels) % self._frames else 0)
        with self._path.open("ab") as file:
            for window in range(self._written, done):
                sums = self._open.pop(window, None)
                if sums is None:  # all of it is silent
                    sums = self._none()
                file.write((sums[0] + sums[1]).astype(np.complex64).tobytes())
                sums.fill(0.0)
                self._spare.append(sums)
        self._written = max(self._written, done)

    def record(self, performance: str, mics: Sequence[str], start_s: float, riff_db: float) -> Windows:
        """What was collected; everything must have been flushed. start_s: where the first frame begins. riff_db: level
        from which a frame is riff."""
        return Windows(
            performance=performance,
            mics=tuple(mics),
            pairs=self._rows,
            freqs_hz=self._freqs_hz,
            merged=MERGED,
            start_s=start_s,
            frame_s=self._frame_s,
            window_frames=self._frames,
            levels_db=np.array(self._levels),
            riff_db=riff_db,
            count=self._written,
            path=self._path,
        )
