"""Guitar or bleed: how well the close mics agree, frame by frame, with what they hear of the guitar.

The guitar reaches the close mics with fixed delays and levels, those of the aligned set-up. Put into the vector g of a
frequency, they are the main eigenvector of the mics' covariance while the guitar is loud. Of any other moment the
part of the mics' power that lies along g, sum |g^H x|^2 over sum |x|^2, is 1 where only the guitar sounds, and that of
chance where the mics hear something from elsewhere. This is the matched-subspace statistic (Scharf & Friedlander,
"Matched subspace detectors", IEEE Trans. Signal Processing 42(8), 1994) added up over the band.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from premix.arrays import BoolArray, FloatArray, IntArray
from premix.model.song import Performance, Song
from premix.model.tracks import Agreed, BandSignals, KeyEnvelopes

STEP_MS = 8
"""Control frames from one judged frame to the next."""
LOW_HZ, HIGH_HZ = 200.0, 4500.0
"""Below, mics a hand apart hear everything alike; above, little of a distorted guitar is left."""
ALONE = 0.999
"""From so much of the power in one mic on, agreement says nothing."""
CHUNK = 512
"""Judged frames worked on at once, 4 s: what they need stays in the processor's cache."""
SILENT = 1e-14
"""Mean square of a mic that holds nothing."""
SAMPLE, SAMPLES = 64, 48
"""So many stretches of so many frames, 25 s in all, show what the guitar looks like."""

LOUD_DB = 10.0
"""Frames within this of the loud level are loud."""
RANGE_DB = 25.0
"""What lies further below the highest level does not count in the loud level."""

Spectra = npt.NDArray[np.complex64]


def loud_level_db(levels_db: FloatArray, highest_db: float) -> float:
    """The upper quartile of the levels that lie near the highest."""
    return float(np.percentile(levels_db[levels_db > highest_db - RANGE_DB], 75))


def with_agreement(song: Song) -> Song:
    """The song with the agreement of every performance's close mics.

    Neither gains nor mutes have a say in it: a muted mic hears the guitar as well as before.
    """
    return replace(
        song,
        performances=tuple(replace(p, agreed=agreed_of(p.envelopes, *mics_compared(p))) for p in song.performances),
    )


def mics_compared(performance: Performance) -> tuple[BoolArray, FloatArray]:
    """(M) which of the close mics can be compared, and (M) samples by which each is advanced: no sub mic, and none that
    the alignment does not know."""
    mics = performance.close
    known = np.array([mic.role == "close" and mic.decision.refusal is None for mic in mics], np.bool_)
    return known, np.array([mic.decision.delay_samples for mic in mics])


def advance_of(band_step: int, shifts: FloatArray) -> IntArray:
    """Whole samples of the band, one of `band_step` samples: what is left of a shift turns the guitar's phases, which
    are found anyway."""
    return np.round(shifts / band_step).astype(np.int32)


def comparison(performance: Performance) -> str:
    """What decides on a performance's agreement beside the tracks: the mics that are compared, and their advance."""
    band = performance.envelopes.band
    if band is None:
        return performance.name
    known, shifts = mics_compared(performance)
    advance = advance_of(band.step, shifts).tolist()
    names = [f"{mic.name} {at}" for mic, at, use in zip(performance.close, advance, known, strict=True) if use]
    return f"{performance.name}: {', '.join(names)}"


def agreed_of(envelopes: KeyEnvelopes, compared: BoolArray, shifts: FloatArray) -> Agreed | None:
    """The agreement of some close mics, compared (M), each advanced by its shift (M) in samples; None with fewer than
    two of them, or where they are silent."""
    band = envelopes.band
    used = [m for m, name in enumerate(envelopes.mics) if band is not None and compared[m] and name in band.mics]
    if band is None or len(used) < 2:
        return None
    loud = _loud(envelopes, used)
    if not loud.any():
        return None
    advance = advance_of(band.step, shifts[used])
    rows = [band.mics.index(envelopes.mics[m]) for m in used]
    values = np.concatenate(list(_Agreement(envelopes, band, rows, advance).of(loud)))
    return Agreed(values.astype(np.float32))


def _loud(envelopes: KeyEnvelopes, used: Sequence[int]) -> BoolArray:
    """(n) the judged frames in which some mics, each as loud as the others, are loud."""
    parts = []
    for start in range(0, envelopes.frames, STEP_MS * CHUNK):
        power = envelopes.read(start, start + STEP_MS * CHUNK)[used].astype(np.float64)
        sums = np.add.reduceat(power, np.arange(0, power.shape[1], STEP_MS), axis=1)
        counts = np.minimum(STEP_MS, power.shape[1] - np.arange(0, power.shape[1], STEP_MS))
        parts.append(sums / counts)
    power = np.concatenate(parts, axis=1)
    mean = power.mean(axis=1, keepdims=True)
    sounding = mean[:, 0] > SILENT
    level = np.sqrt(power[sounding] / mean[sounding]).sum(axis=0) if sounding.any() else np.zeros(power.shape[1])
    level = 20.0 * np.log10(np.maximum(level, 1e-6))
    return np.asarray((level > loud_level_db(level, float(level.max())) - LOUD_DB) & (level > -100.0))


class _Agreement:
    """The agreement of some rows of a band, each advanced by whole samples of it."""

    def __init__(self, envelopes: KeyEnvelopes, band: BandSignals, rows: Sequence[int], advance: IntArray) -> None:
        self._band, self._rows = band, rows
        self._whole = advance
        self._hop = STEP_MS * envelopes.hop // band.step
        size = 2 * self._hop
        freqs_hz = np.fft.rfftfreq(size, band.step / envelopes.rate)
        self._bins = slice(*np.searchsorted(freqs_hz, (LOW_HZ, HIGH_HZ)).tolist())
        wave = np.exp(-2j * np.pi / size * np.arange(size)[:, None] * np.arange(size // 2 + 1)[self._bins])
        self._wave = (np.hanning(size + 1)[:-1, None] * wave).astype(np.complex64).view(np.float32)
        self.frames = -(-envelopes.frames // STEP_MS)

    def of(self, loud: BoolArray) -> Iterator[FloatArray]:
        """Agreement of all judged frames, chunk by chunk. loud: (frames) whether the guitar is loud; some are."""
        scale, g, chance = self._guitar(loud)
        along_it = (g.conj().T * scale[:, None]).astype(np.complex64)
        weights = np.square(scale).astype(np.float32)
        for start in range(0, self.frames, CHUNK):
            x = self._spectra(start, min(self.frames, start + CHUNK))
            parts = x.view(np.float32)
            power = np.tensordot(weights, np.einsum("mtf,mtf->mt", parts, parts), 1)
            x *= along_it[:, None]
            along = x.sum(axis=0).view(np.float32)
            part = np.einsum("tf,tf->t", along, along) / np.maximum(power, np.float32(1e-20))
            if chance > ALONE:  # one mic has all the power: the level decides alone
                part = np.ones_like(part)
            yield ((part - min(chance, ALONE)) / (1.0 - min(chance, ALONE))).astype(np.float64)

    def _guitar(self, loud: BoolArray) -> tuple[FloatArray, Spectra, float]:
        """(scale (M), g (F, M), chance): gains that make the mics equally loud, the guitar, and what is along
        it of the same powers when the mics have nothing to do with each other."""
        count = len(self._rows)
        matrix = np.zeros((self._bins.stop - self._bins.start, count, count), np.complex128)
        stretches = np.unique(np.flatnonzero(loud) // SAMPLE)
        for stretch in stretches[:: -(-stretches.size // SAMPLES)].tolist():
            start, stop = SAMPLE * stretch, min(SAMPLE * (stretch + 1), self.frames)
            x = self._spectra(start, stop)[:, loud[start:stop]].transpose(2, 0, 1).astype(np.complex128)
            matrix += x @ x.conj().transpose(0, 2, 1)
        power = np.einsum("fmm->m", matrix).real
        gain = np.sqrt(power.max() / np.maximum(power, 1e-20))
        matrix *= gain[:, None] * gain
        g = np.linalg.eigh(matrix)[1][:, :, -1]
        each = np.einsum("fmm->fm", matrix).real
        chance = float(np.sum(np.abs(g) ** 2 * each) / each.sum())
        return gain, g.astype(np.complex64), chance

    def _spectra(self, start: int, stop: int) -> Spectra:
        """(M, frames, F) of judged frames, each mic at its own advance. A frame's window is twice as long as it.

        The transform is a product with the band's waves, half a window at a time: for so many short frames and so few
        bins that is several times as fast as numpy's FFT. Folded windows, every other bin, would take half the time;
        but mics then agree by chance more often, and a soft sound in a stop opened the gate.
        """
        half, hop = self._hop // 2, self._hop
        first, last = start * hop - half, (stop + 1) * hop - half
        earliest, latest = int(self._whole.min()), int(self._whole.max())
        read = self._band.read(first + earliest, last + latest)
        signals = np.empty((len(self._rows), last - first), np.float32)
        for row, (own, whole) in enumerate(zip(self._rows, self._whole.tolist(), strict=True)):
            signals[row] = read[own, whole - earliest :][: last - first]
        halves = signals.reshape(len(self._rows), -1, hop)
        found = halves[:, :-1] @ self._wave[:hop]
        found += halves[:, 1:] @ self._wave[hop:]
        spectra: Spectra = found.view(np.complex64)
        return spectra
