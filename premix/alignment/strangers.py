"""Tracks that are not what their names say: two names for one recording, and names that were swapped.

A copy has nothing of its own: up to its end of the spectrum it shares its noise with the original too, which two mics
never do. And what a mic does against the others of its set-up does not depend on the notes (relative transfer
functions: Cohen, IEEE Trans. Speech and Audio Processing 12(5), 2004), so each mic is known again in every performance.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from premix.alignment.case import Case
from premix.alignment.lag import find_peaks
from premix.alignment.lateness import FINE_SEARCH_MS
from premix.arrays import BoolArray, ComplexArray, FloatArray
from premix.audio.bands import band_slices, third_octave_bands
from premix.errors import Finding
from premix.model.song import Performance, Song
from premix.model.tracks import Spectra
from premix.units import ms_to_samples, samples_to_ms

COPY_COHERENCE = 0.999
"""Coherence in every shared band from which two tracks may be one recording. Two mics on one speaker reach it where the
guitar is loud, and up to 11 kHz where both are good. Frames see less of a copy the later it is."""
FLAT_DB = 0.1
"""A copy whose level differs by no more than this from band to band is not equalised; no two mics are so alike."""
OWN_HZ = 900.0
OWN, OWN_LATE = 2e-5, 1.2
SOFT, SOFT_LATE = 3e-5, 4.0
"""An equalised copy has no noise of its own: above this frequency, where equalisers ring shortly and good mics hiss
most against the guitar, its coherence with the original misses 1 by no more than this, over the riff and in the softest
tenth of the song, and by so many times what frames miss of it because it is late. Simulated copies miss by less; two
mics whose noise lies 80 dB under the guitar always by more, at 90 dB nearly always."""
COPY_BANDS_HZ = (100.0, 11_000.0)
"""Third octaves that are compared: below, an equaliser rings for longer than a frame."""
LEAST_BANDS = 6
SHARED_DB = -90.0
"""A band counts where both tracks hold it at this or more, against their strongest."""
ALIKE, ALIKE_DB = 0.06, 0.7
"""How far two performances of one set-up are apart at most: 1 less the likeness of the phases, and the scatter of the
level differences over the bands (largest of 72 simulated takes)."""
STRANGE = 2.0
"""Names are swapped where the names as they stand are further apart than this, and twice as far as the exchanged ones,
which are not."""
_TINY = 1e-300


def doubled(song: Song) -> Iterator[Finding]:
    """A warning for every two close mics of a performance that are one recording."""
    for performance in song.performances:
        heard = [mic for mic in performance.close if mic.decision.refusal != "alignment-silent"]
        rows, spectra = {mic.name: m for m, mic in enumerate(performance.judged)}, performance.spectra
        for pair in combinations([mic.name for mic in heard], 2):
            first, second = pair if rows[pair[1]] in spectra.partners else pair[::-1]
            if rows[second] not in spectra.partners:
                continue  # of more than eight mics not all are compared with each other
            copy = _copy(spectra, rows[first], rows[second], song.rate)
            if copy is not None:
                yield _doubled(song, performance, (first, second), copy)


@dataclass(frozen=True, slots=True)
class _Copy:
    """What makes the second of two tracks another than the first: samples it is late, polarity; plain: its level."""

    late_samples: float
    polarity: int
    plain: bool


def _copy(spectra: Spectra, m: int, n: int, rate: int) -> _Copy | None:
    """What makes track n, a partner, a copy of m; None where it is a recording of its own."""
    cross = spectra.kept_active[:, m, spectra.partners.index(n)].sum(axis=0).conj()
    power_m, power_n = np.maximum(spectra.active_powers[:, [m, n]].sum(axis=0), _TINY)
    bands = third_octave_bands(*COPY_BANDS_HZ)
    parts = [part for part in band_slices(spectra.freqs_hz, bands) if part.stop > part.start]
    levels = np.array([[power[part].sum() for part in parts] for power in (power_m, power_n)])
    shared = (levels >= levels.max(axis=1, keepdims=True) * 10.0 ** (SHARED_DB / 10.0)).all(axis=0)
    if np.count_nonzero(shared) < LEAST_BANDS:
        return None
    even = cross / (np.sqrt(power_m) * np.sqrt(power_n))
    peaks = find_peaks(even, spectra.freqs_hz, rate, ms_to_samples(FINE_SEARCH_MS, rate), 1)
    if not peaks:
        return None
    late = peaks[0].delay_samples
    overlap = _overlap(spectra.frame, abs(late)) ** 2
    if _coherence(even, parts, shared) / overlap < COPY_COHERENCE - 0.5 * (1.0 - overlap):
        return None
    ratio_db = 10.0 * np.log10(levels[1, shared] / levels[0, shared])
    flat_db = float(np.ptp(ratio_db))
    if flat_db > FLAT_DB:
        high = shared & np.array([spectra.freqs_hz[part.start] >= OWN_HZ for part in parts])
        if not high.any() or _coherence(even, parts, high) < 1.0 - OWN - OWN_LATE * (1.0 - overlap):
            return None
        if _soft_coherence(spectra, m, n, parts, high) < 1.0 - SOFT - SOFT_LATE * (1.0 - overlap):
            return None
    whole = late + spectra.offsets[n] - spectra.offsets[m]
    return _Copy(whole, peaks[0].polarity, bool(abs(whole) < 0.01 and flat_db < 0.01))


def _coherence(even: ComplexArray, parts: Sequence[slice], counted: BoolArray) -> float:
    """The lowest coherence of the bands that are counted, of a cross-spectrum (F) over the root of both powers."""
    return min(float((np.abs(even[parts[b]]) ** 2).mean()) for b in np.flatnonzero(counted).tolist())


def _soft_coherence(spectra: Spectra, m: int, n: int, parts: Sequence[slice], counted: BoolArray) -> float:
    """The same in the softest tenth of the song; 0 where that was not kept."""
    if spectra.kept_softest is None or spectra.softest is None:
        return 0.0
    power_m, power_n = np.maximum(spectra.softest[[m, n]], _TINY)
    cross = spectra.kept_softest[m, spectra.partners.index(n)]
    return _coherence(cross / (np.sqrt(power_m) * np.sqrt(power_n)), parts, counted)


def _overlap(frame: int, late_samples: float) -> float:
    """What a Hann window and the same one so much later have in common, 1 for all: frames see that much of a copy.

    The window's correlation with itself in closed form; half a frame apart it is 1/6 (Harris, "On the use of windows
    for harmonic analysis with the discrete Fourier transform", Proc. IEEE 66(1), 1978, table I).
    """
    part = min(1.0, abs(late_samples) / frame)
    turn = 2.0 * math.pi * part
    return (1.0 - part) * (2.0 + math.cos(turn)) / 3.0 + math.sin(turn) / (2.0 * math.pi)


def _doubled(song: Song, performance: Performance, names: tuple[str, str], copy: _Copy) -> Finding:
    what = "one recording under two names" if copy.plain else "one recording, equalised or delayed, under two names"
    turned = ", turned over" if copy.polarity < 0 else ""
    late = f" ('{names[1]}' {samples_to_ms(copy.late_samples, song.rate):+.2f} ms late{turned})"
    where = f"{performance.name}/{names[1]}"
    return Finding(
        "tracks-doubled", "warning", where, f"the same as '{names[0]}': {what}{late}; it counts twice in the sum"
    )


def swapped(song: Song, cases: Sequence[Case]) -> dict[str, tuple[tuple[str, str], Finding]]:
    """Performances in which two close mics stand in each other's place, with their names and what to tell.

    They are compared with the performance that is most like all others; of two, with the first.
    """
    heard = [case for case in cases if np.count_nonzero(case.chosen) >= 2]
    if len(heard) < 2:
        return {}
    far = np.array([[_Compared(a, b).apart(None) for b in heard] for a in heard])
    middle = int(np.argmin(np.median(far, axis=1)))
    usual = heard[middle]
    found: dict[str, tuple[tuple[str, str], Finding]] = {}
    for case in heard:
        compared = _Compared(usual, case)
        apart = compared.apart(None)
        if case is usual or apart <= STRANGE:
            continue
        pair = min(combinations(compared.names, 2), key=compared.apart)
        if compared.apart(pair) < min(STRANGE, 0.5 * apart):
            a, b = pair
            others = "the other performances" if len(heard) > 2 else f"'{usual.performance}'"
            what = f"'{a}' sounds as '{b}' does in {others}, and '{b}' as '{a}': are the two tracks' names swapped?"
            found[case.performance] = pair, Finding("tracks-swapped", "warning", f"{case.performance}/{a}", what)
    return found


class _Compared:
    """Two performances' close mics of the same names, held against each other."""

    def __init__(self, usual: Case, other: Case) -> None:
        in_both = set(np.array(usual.signal.mics)[usual.chosen]) & set(np.array(other.signal.mics)[other.chosen])
        self.names = [name for name in usual.signal.mics if name in in_both]
        self._slices = usual.signal.slices
        self._usual, self._other = (_Signature(case, self.names) for case in (usual, other))

    def apart(self, exchanged: tuple[str, str] | None) -> float:
        """How far the performances are from each other, 2 for the furthest of one set-up, with two mics exchanged."""
        order = list(range(len(self.names)))
        if exchanged is not None:
            a, b = (self.names.index(name) for name in exchanged)
            order[a], order[b] = b, a
        mine, theirs = self._usual, self._other
        likeness, scatter_db = [], []
        for m, n in combinations(range(len(order)), 2):
            i, j = order[m], order[n]
            x, y = mine.phase(m, n), theirs.phase(i, j)
            shared = mine.present[m] & mine.present[n] & theirs.present[i] & theirs.present[j]
            if x is None or y is None or np.count_nonzero(shared) < 3:
                continue
            bins = np.concatenate(
                [np.arange(self._slices[b].start, self._slices[b].stop) for b in np.flatnonzero(shared)]
            )
            x, y = x[bins], y[bins]
            likeness.append(abs(np.vdot(x, y)) / max(float(np.linalg.norm(x) * np.linalg.norm(y)), _TINY))
            difference = mine.levels_db[m] - mine.levels_db[n] - theirs.levels_db[i] + theirs.levels_db[j]
            scatter_db.append(float(np.std(difference[shared])))
        if not likeness:
            return 0.0
        return (1.0 - float(np.mean(likeness))) / ALIKE + float(np.sqrt(np.mean(np.square(scatter_db)))) / ALIKE_DB


class _Signature:
    """What the named mics of a performance are against each other. levels_db, present: (n, B), rows as the names."""

    def __init__(self, case: Case, names: Sequence[str]) -> None:
        signal = case.signal
        self._signal, self._rows = signal, [signal.mics.index(name) for name in names]
        own = np.maximum(signal.power[self._rows], _TINY)
        levels = np.stack([own[:, part].sum(axis=1) for part in signal.slices], axis=1)
        self.levels_db: FloatArray = 10.0 * np.log10(np.maximum(levels, _TINY))
        self.present: BoolArray = signal.present[self._rows]

    def phase(self, m: int, n: int) -> ComplexArray | None:
        """(F) phase between two of the mics, weighed by their coherence; None where they were not compared."""
        i, j = self._rows[m], self._rows[n]
        if self._signal.column(j) is None:
            i, j = j, i
        column = self._signal.column(j)
        if column is None:
            return None
        powers = self._signal.power[i] * self._signal.power[j]
        held = powers > _TINY  # a bin of which the noise left nothing says nothing
        cross = np.where(held, self._signal.matrix[i, column] / np.sqrt(np.where(held, powers, 1.0)), 0.0)
        return np.asarray(cross if i == self._rows[m] else cross.conj())
