"""The song in stretches of riff: which windows of the scan belong together, and what the mics share in each.

A stretch's cross-spectra come out with the mics as they were decided, noise of the stops taken out, so that what is
left of a phase is what the decision does not explain.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from premix.alignment.case import Case, mic_responses
from premix.alignment.kernel import HIGH_HZ, MIN_SIGNAL_TO_NOISE, phase_terms
from premix.alignment.rotation import rotation_response
from premix.arrays import ComplexArray, FloatArray
from premix.audio.bands import band_slices
from premix.model.alignment import MicDecision
from premix.model.tracks import Spectra, Windows

STRETCH_S = 1.3
"""Riff in a stretch; at both ends of the song the outermost ones are single windows, as a change there has nothing on
its other side."""
SOFT_DB = 24.0
"""What lies so far under the riff at most may be a soft passage of it."""
OUTERMOST = 2
ROUGH_QUIET_FRAMES = 6
"""Quiet frames from which the noise is taken out: of what changes, a rough measure of the noise does as well."""
NEAR_PERIODS = 0.4
"""Periods of a mic's highest band in which its correlation has one top."""
CHUNK_BYTES = 4_000_000
"""Cross-spectra in hand at once, whatever the length of the song."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Some windows in a row that hold riff; from_s, to_s: on the song's time line; frames: all that were added;
    riff_s: of them riff."""

    windows: tuple[int, ...]
    from_s: float
    to_s: float
    frames: int
    riff_s: float

    @property
    def middle_s(self) -> float:
        return 0.5 * (self.from_s + self.to_s)


def stretches_of(windows: Windows) -> tuple[Stretch, ...]:
    """Windows that hold riff, put together until they hold STRETCH_S of it."""
    riff = windows.levels_db >= windows.riff_db
    per = windows.window_frames
    riff_s = [windows.frame_s * int(riff[w * per : (w + 1) * per].sum()) for w in range(windows.count)]
    played = [w for w in range(windows.count) if riff_s[w]]
    found: list[list[int]] = []
    inner = played[OUTERMOST:-OUTERMOST]
    for window in inner:
        if found and sum(riff_s[w] for w in found[-1]) < STRETCH_S:
            found[-1].append(window)
        else:
            found.append([window])
    if len(found) > 1 and sum(riff_s[w] for w in found[-1]) < 0.5 * STRETCH_S:
        found[-2:] = [found[-2] + found[-1]]
    outer = [[w] for w in played if w not in set(inner)]
    return tuple(_stretch(windows, own, sum(riff_s[w] for w in own)) for own in sorted([*found, *outer]))


def soft_stretches_of(windows: Windows) -> tuple[Stretch, ...]:
    """Windows in a row in which nothing is as loud as riff, and most is not far under it, put together in the same way:
    a verse, not a stop."""
    per = windows.window_frames
    levels = [windows.levels_db[w * per : (w + 1) * per] for w in range(windows.count)]
    riff_db = windows.riff_db
    soft = [bool(own.max() < riff_db and np.mean(own >= riff_db - SOFT_DB) > 0.5) for own in levels]
    most = max(1, math.ceil(STRETCH_S / windows.window_s))
    rows = np.flatnonzero(soft)
    runs = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
    taken = [run[first : first + most].tolist() for run in runs for first in range(0, len(run), most)]
    return tuple(_stretch(windows, own, windows.window_s * len(own)) for own in taken if len(own) == most)


def _stretch(windows: Windows, taken: Sequence[int], riff_s: float) -> Stretch:
    per = windows.window_frames
    frames = sum(len(windows.levels_db[w * per : (w + 1) * per]) for w in taken)
    first, last = windows.start_s + taken[0] * windows.window_s, windows.start_s + (taken[-1] + 1) * windows.window_s
    return Stretch(tuple(taken), first, last, frames, riff_s)


class StretchSpectra:
    """What turns the windows of one performance into aligned cross-spectra, and who makes up the sum.

    gone: mics of the sum that are not always there, so that nobody is held against them. merged: windows' bins put into
    one: wider bins see shorter lags, and cost less. noise: whether that of the stops is taken out.
    """

    def __init__(
        self,
        case: Case,
        spectra: Spectra,
        windows: Windows,
        decisions: Sequence[MicDecision],
        *,
        gone: Sequence[int] = (),
        merged: int = 1,
        noise: bool = True,
    ) -> None:
        self._windows, self._wide = windows, merged
        self.merged = windows.merged * merged
        self.rate, self.mics, self.partners = case.signal.rate, len(case.mics), list(spectra.partners)
        fine_hz = windows.freqs_hz[: len(windows.freqs_hz) // merged * merged]
        self.freqs_hz = fine_hz.reshape(-1, merged).mean(axis=1)
        self.omega = 2.0 * np.pi * self.freqs_hz / self.rate
        self.reference = case.index(decisions[0].reference) if decisions else None
        self.summed = np.array([d.summed and d.role != "room" and d.refusal is None for d in decisions])
        self.in_sum = self.summed.copy()
        if self.in_sum.sum() > len(gone):
            self.in_sum[list(gone)] = False
        responses = mic_responses(case.mics, fine_hz, self.rate)
        for m, decision in enumerate(decisions):
            if decision.rotation is not None:
                responses[m] *= rotation_response(decision.rotation, fine_hz, self.rate)
        delays = np.array([d.delay_samples for d in decisions]) - np.array(case.offsets, np.float64)
        signs = np.array([float(d.polarity) for d in decisions])
        self.responses, self.fine_hz = responses, fine_hz
        self._turn = phase_terms(fine_hz, self.rate, delays, signs).conj() * responses
        self._pair = self._turn[:, None] * self._turn[None, self.partners].conj()
        self._bands_of(case)
        self._noise: ComplexArray | None = None
        if noise and spectra.n_quiet >= ROUGH_QUIET_FRAMES:
            self._noise = self._of_frames(spectra.quiet) / spectra.n_quiet
            self._noise_power = self._of_frames(spectra.quiet_powers).real / spectra.n_quiet
        self._rows()

    def _bands_of(self, case: Case) -> None:
        """slices: bins of each third octave; bands: (M, B) those in which a mic is heard; mask: (M, F) the same by bin.

        counted: (B) whether the sum efficiency covers them; near_samples: of each mic, within which its delay is
        refined rather than looked for.
        """
        self.slices = band_slices(self.freqs_hz, case.signal.bands)
        self.counted = [band.centre_hz <= HIGH_HZ * 1.02 for band in case.signal.bands]
        filled = np.array([part.stop > part.start for part in self.slices])
        shared = case.signal.mask.any(axis=1, keepdims=True)
        self.bands = np.where(shared, case.signal.mask, case.signal.present) & filled
        self.mask = np.zeros((self.mics, len(self.freqs_hz)), np.bool_)
        for m, b in zip(*np.nonzero(self.bands), strict=True):
            self.mask[m, self.slices[b]] = True
        highest_hz = [max(self.freqs_hz[mask], default=HIGH_HZ) for mask in self.mask]
        self.near_samples = [NEAR_PERIODS * self.rate / hz for hz in highest_hz]

    def _of_frames(self, sums: ComplexArray | FloatArray) -> ComplexArray:
        """(..., F) sums of the frames' bins in the windows' bins."""
        wide = len(self.fine_hz) * self._windows.merged
        parts = sums[..., :wide].reshape(*sums.shape[:-1], -1, self._windows.merged)
        return np.asarray(parts.sum(axis=-1), np.complex128)

    def _rows(self) -> None:
        """Which packed pair stands where in the matrix (M, A), and whether it stands there turned over in phase."""
        place = {pair: row for row, pair in enumerate(self._windows.pairs)}
        pairs = [[(min(m, n), max(m, n)) for n in self.partners] for m in range(self.mics)]
        self._row_of = np.array([[place[pair] for pair in own] for own in pairs])
        self._turned_over = np.array([[m > n for n in self.partners] for m in range(self.mics)])
        self._own_row = np.array([place[m, m] for m in range(self.mics)])

    def chunks(self, stretches: Sequence[Stretch]) -> Iterator[slice]:
        """The stretches, so many at a time as may be in hand."""
        size = max(1, CHUNK_BYTES // (16 * self.mics * len(self.partners) * len(self.fine_hz)))
        for start in range(0, len(stretches), size):
            yield slice(start, min(len(stretches), start + size))

    def aligned(self, stretches: Sequence[Stretch]) -> tuple[ComplexArray, FloatArray]:
        """Cross-spectra (s, M, A, F) of stretches with the partners, and powers (s, M, F)."""
        first = stretches[0].windows[0]
        read = self._windows.read(first, stretches[-1].windows[-1] + 1)[..., : len(self.fine_hz)]
        taken = [w - first for stretch in stretches for w in stretch.windows]
        starts = np.cumsum([0, *(len(stretch.windows) for stretch in stretches[:-1])])
        if len(taken) < len(read):
            read = read[taken]
        packed = np.add.reduceat(read, starts, axis=0) if len(starts) < len(read) else read
        matrix = packed[:, self._row_of].astype(np.complex128)
        np.conjugate(matrix, out=matrix, where=self._turned_over[None, :, :, None])
        power = packed[:, self._own_row].real.astype(np.float64)
        if self._noise is not None:
            frames = np.array([float(stretch.frames) for stretch in stretches])
            matrix -= frames[:, None, None, None] * self._noise
            power = np.maximum(power - frames[:, None, None] * self._noise_power, 0.0)
            for a, m in enumerate(self.partners):
                matrix[:, m, a] = power[:, m]
        matrix *= self._pair
        return self._widened(matrix), self._widened(power * np.abs(self._turn) ** 2).real

    def floors(self, stretches: Sequence[Stretch]) -> FloatArray:
        """(s, M, B) power of third octaves in a stretch up to which they hold noise only; 0 where that is unknown."""
        if self._noise is None:
            return np.zeros((len(stretches), self.mics, len(self.slices)))
        noise = self._widened(self._noise_power * np.abs(self._turn) ** 2).real
        each = np.stack([noise[:, part].sum(axis=1) for part in self.slices], axis=1)
        frames = np.array([float(stretch.frames) for stretch in stretches])
        return np.asarray(MIN_SIGNAL_TO_NOISE * frames[:, None, None] * each)

    def _widened(self, values: npt.NDArray[np.complex128] | FloatArray) -> ComplexArray:
        if self._wide == 1:
            return np.asarray(values, np.complex128)
        return np.asarray(sum(values[..., k :: self._wide] for k in range(self._wide)), np.complex128)
