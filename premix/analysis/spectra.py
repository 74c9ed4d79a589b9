"""Cross-spectral matrix of one performance, streamed, with its frames sorted by level as they come.

Which frames are riff and which are stops is only known when the song has been heard, so each frame's products
are added to the pile of its level (3 dB wide); at the end the piles are put together into `active` and `quiet`.
Averaging cross-spectra over frames before looking for the delay is Matassoni & Svaizer, EUSIPCO 2006.
"""

import math
import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from premix.analysis.windows import MERGED, WindowCollector, merged
from premix.arrays import ComplexArray, FloatArray
from premix.audio.bands import band_limits

FRAME_S = 0.34
"""Frame length: long enough that the 40 Hz third octave (9 Hz wide) holds three bins."""
PILE_DB, COARSE_PILE_DB = 3.0, 9.0
"""Height of a pile; with many mics piles are few, as each is large."""
MOST_PAIRED = 8
"""Up to so many mics every pair is kept. With more, each mic is kept against some of them only, its partners."""
LEAST_PARTNERS, PARTNER_PAIRS = 4, 256
"""Many mics have as many partners as make about so many pairs in all."""
ACTIVE_DB = 21.0
"""Frames within this of the loud level are riff."""
QUIET_DB = 27.0
"""Frames further below the loud level are stops; those between are neither."""
OVERLAP_S = 70.0
"""Up to this length of song every second half of a frame begins a new one, so that short songs lose nothing to the
window's slopes; in longer ones frames follow each other, which bounds the cost. No frame of a song is left out."""
FLOOR_DB = -96.0
"""Frames below this hold nothing: digital silence before and after the song."""
_ROWS = 16
"""So many pairs of mics are worked on at once: their products stay in the processor's cache."""


def frame_length(rate: int) -> int:
    """Samples in one analysis frame: the power of two nearest to 0.34 s."""
    return int(2 ** round(math.log2(FRAME_S * rate)))


def partner_count(mics: int) -> int:
    """How many of `mics` mics each of them is compared with: all, or enough to know what they share."""
    return mics if mics <= MOST_PAIRED else min(MOST_PAIRED, max(LEAST_PARTNERS, PARTNER_PAIRS // mics))


@dataclass(slots=True)
class _Pile:
    """Sums of products of the frames of one level, in two interleaved halves (2, P, F), and frames in each."""

    sums: ComplexArray
    counts: list[int]


@dataclass(frozen=True, slots=True)
class Chosen:
    """A frame to be added: samples (mics, frame), which half it belongs to, that half of its pile's sums (P, F), if it
    has a pile, and of its window's, in the window's bins."""

    samples: FloatArray
    half: int
    sums: ComplexArray | None
    window: ComplexArray | None = None


class _Work:
    """What the products of a frame are made in, again and again: memory that is asked for anew costs as much as the
    work itself."""

    def __init__(self, mics: int, frame: int, bins: int) -> None:
        self.windowed = np.empty((mics, frame))
        self.spectrum = np.empty((mics, frame // 2 + 1), np.complex128)
        self.conjugate = np.empty((mics, bins), np.complex128)
        self.products = np.zeros((_ROWS, -(-bins // MERGED) * MERGED), np.complex128)


@dataclass(frozen=True, slots=True)
class Collected:
    """active: (2, M, A, F) sums of the riff's frames, in two halves of n_active frames; quiet: (M, A, F) of the stops'
    n_quiet frames, of mic m with partner a. The powers (2, M, F) and (M, F) are those of every mic with itself."""

    active: ComplexArray
    n_active: tuple[int, int]
    quiet: ComplexArray
    n_quiet: int
    active_powers: FloatArray
    quiet_powers: FloatArray


class SpectraCollector:
    """Collects the products X_m conj(X_n) of `mics` mics, frame by frame.

    partners: the n for which they are kept, ascending; all by default. X_m conj(X_m) is kept of every mic. seconds: how
    long the song is. path: where they are kept by window as well; None: nowhere.
    """

    def __init__(
        self,
        rate: int,
        mics: int,
        partners: Sequence[int] | None = None,
        *,
        seconds: float = 0.0,
        path: Path | None = None,
    ) -> None:
        self.frame = frame_length(rate)
        self.hop = self.frame // 2 if seconds <= OVERLAP_S else self.frame
        freqs_hz: FloatArray = np.asarray(np.fft.rfftfreq(self.frame, 1.0 / rate), np.float64)
        self._bins = slice(*np.searchsorted(freqs_hz, band_limits(rate)).tolist())
        self.freqs_hz = freqs_hz[self._bins]
        self._window = np.hanning(self.frame + 1)[:-1]
        self._mics = mics
        self.partners = tuple(range(mics) if partners is None else partners)
        self._pairs = [(m, n) for m in range(mics) for n in range(m, mics) if m == n or {m, n} & set(self.partners)]
        many = len(self.partners) < mics
        self._pile_db = COARSE_PILE_DB if many else PILE_DB
        self._kept = np.complex64 if many else np.complex128
        self._piles: dict[int, _Pile] = {}
        self._frame_levels: Counter[int] = Counter()
        self._taken = 0
        self._work: dict[int, _Work] = {}
        self.windows: WindowCollector | None = None
        if path is not None:
            self.windows = WindowCollector(path, self._pairs, self.freqs_hz, self.hop, rate)

    def take(self, samples: FloatArray, level_db: float) -> None:
        """Choose and add one frame (mics, frame) whose level is `level_db`."""
        chosen = self.choose(samples, level_db)
        if chosen is not None:
            self.add([chosen])

    def choose(self, samples: FloatArray, level_db: float, *, left_out: bool = False) -> Chosen | None:
        """Count the next frame, of finite samples; None where it is silent. left_out: it goes into its window only."""
        half = (self._taken // 4) % 2
        silent = level_db <= FLOOR_DB
        window = self.windows.sums(half, level_db, silent=silent) if self.windows is not None else None
        if left_out:
            return None if window is None else Chosen(samples, half, None, window)
        pile_index = math.floor(max(level_db, FLOOR_DB) / self._pile_db)
        self._frame_levels[pile_index] += 1
        if silent:
            return None
        pile = self._piles.get(pile_index)
        if pile is None:
            shape = (2, len(self._pairs), len(self.freqs_hz))
            pile = self._piles[pile_index] = _Pile(np.zeros(shape, self._kept), [0, 0])
        pile.counts[half] += 1
        self._taken += 1
        return Chosen(samples, half, pile.sums[half], window)

    def add(self, frames: Sequence[Chosen]) -> None:
        """Add the products of chosen frames, all of one half. Those of the two halves may be added side by side."""
        for frame in frames:
            if frame.half not in self._work:
                self._work[frame.half] = _Work(self._mics, self.frame, len(self.freqs_hz))
            work = self._work[frame.half]
            np.multiply(frame.samples, self._window, out=work.windowed)
            spectrum = np.fft.rfft(work.windowed, axis=1, out=work.spectrum)[:, self._bins]
            np.conjugate(spectrum, out=work.conjugate)
            for first in range(0, len(self._pairs), _ROWS):
                self._add_rows(frame, work, spectrum, slice(first, first + _ROWS))

    def _add_rows(self, frame: Chosen, work: _Work, spectrum: ComplexArray, rows: slice) -> None:
        """Add the products of some pairs to the sums of the frame's pile and of its window."""
        pairs = self._pairs[rows]
        products = work.products[: len(pairs)]
        sums = [None] * len(pairs) if frame.sums is None else frame.sums[rows]
        for product, own, (m, n) in zip(products[:, : len(self.freqs_hz)], sums, pairs, strict=True):
            np.multiply(spectrum[m], work.conjugate[n], out=product)
            if own is not None:
                own += product
        if frame.window is not None:
            frame.window[rows] += merged(products[:, : MERGED * frame.window.shape[1]])

    def _loud_pile(self) -> int:
        """The level that the loudest tenth of all sounding frames reach."""
        indices = sorted(self._piles, reverse=True)
        target = 0.1 * sum(self._frame_levels[i] for i in indices)
        heard = 0
        for index in indices:
            heard += self._frame_levels[index]
            if heard >= target:
                return index
        return indices[-1] if indices else 0

    def result(self) -> "Collected":
        """What was collected, put together into riff and stops."""
        loud = self._loud_pile()
        active = np.zeros((2, len(self._pairs), len(self.freqs_hz)), self._kept)
        quiet = np.zeros_like(active[0])
        counts, n_quiet = (0, 0), 0
        for index, pile in sorted(self._piles.items()):
            if index >= loud - ACTIVE_DB / self._pile_db:
                active += pile.sums
                counts = counts[0] + pile.counts[0], counts[1] + pile.counts[1]
            elif index < loud - QUIET_DB / self._pile_db:
                quiet += pile.sums.sum(axis=0)
                n_quiet += sum(pile.counts)
        powers = (np.real(sums[..., self._own, :]).astype(np.float64) for sums in (active, quiet))
        return Collected(self._matrix(active), counts, self._matrix(quiet), n_quiet, *powers)

    def softest(self) -> tuple[ComplexArray, FloatArray, int]:
        """(M, A, F) sums of products over the softest tenth of the collected frames, at least two, (M, F) those of
        every mic with itself, and how many frames there are."""
        wanted = max(2.0, 0.1 * sum(sum(pile.counts) for pile in self._piles.values()))
        sums, count = np.zeros((len(self._pairs), len(self.freqs_hz)), np.complex128), 0
        for _, pile in sorted(self._piles.items()):
            if count < wanted:
                sums += pile.sums.sum(axis=0)
                count += sum(pile.counts)
        return self._matrix(sums.astype(np.complex64)), sums[self._own].real, count

    @property
    def riff_db(self) -> float:
        """The level from which a frame is riff."""
        return self._loud_pile() * self._pile_db - ACTIVE_DB

    @property
    def _own(self) -> list[int]:
        """The row of every mic with itself."""
        return [row for row, (m, n) in enumerate(self._pairs) if m == n]

    def _matrix(self, packed: ComplexArray) -> ComplexArray:
        """Packed pairs (..., P, F) as the columns (..., M, A, F) of the partners in the Hermitian matrices."""
        shape = (*packed.shape[:-2], self._mics, len(self.partners), packed.shape[-1])
        full = np.empty(shape, packed.dtype)
        column = {n: a for a, n in enumerate(self.partners)}
        for row, (m, n) in enumerate(self._pairs):
            if n in column:
                full[..., m, column[n], :] = packed[..., row, :]
            if m in column:
                full[..., n, column[m], :] = packed[..., row, :].conj()
        return full


def levels_db(powers: npt.NDArray[np.float64]) -> list[float]:
    """Level of each mic in a frame, in dB, of their mean squares (M,)."""
    return [10.0 * math.log10(max(power, 1e-12)) for power in powers.tolist()]


def median_level_db(own_db: Sequence[float]) -> float:
    """Level of a frame: the median over the close mics of their levels in dB (M,).

    The median lets one dead or humming mic neither hide nor fake the riff. Of two it is the mean, and where one of them
    is gone it is put right once the song has been heard: `analysis/absences.py`.
    """
    return statistics.median(own_db)
