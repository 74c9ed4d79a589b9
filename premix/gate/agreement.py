"""Guitar or bleed: how well the close mics agree, frame by frame, with what they hear of the guitar.

The guitar reaches the close mics with fixed delays and levels, those of the aligned set-up. Put into the vector g of a
frequency, they are the main eigenvector of the mics' covariance while the guitar is loud. Of any other moment the
part of the mics' power that lies along g, sum |g^H x|^2 over sum |x|^2, is 1 where only the guitar sounds, and that of
chance where the mics hear something from elsewhere. This is the matched-subspace statistic (Scharf & Friedlander,
"Matched subspace detectors", IEEE Trans. Signal Processing 42(8), 1994) added up over the band.
"""

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from premix.arrays import BoolArray, FloatArray
from premix.model.tracks import KeyEnvelopes

STEP_MS = 8
"""Control frames from one judged frame to the next."""
LOW_HZ, HIGH_HZ = 200.0, 4500.0
"""Below, mics a hand apart hear everything alike; above, little of a distorted guitar is left."""
ALONE = 0.999
"""From so much of the power in one mic on, agreement says nothing."""
CHUNK = 512
"""Judged frames worked on at once, 4 s: what they need stays in the processor's cache."""
SAMPLE, SAMPLES = 64, 48
"""So many stretches of so many frames, 25 s in all, show what the guitar looks like."""

Spectra = npt.NDArray[np.complex64]


class Agreement:
    """The agreement of one performance's close mics. shifts: (M) samples of advance, weights: (M) gains of the key.

    Only mics that are part of the key count; `possible` is False with fewer than two of them.
    """

    def __init__(self, envelopes: KeyEnvelopes, weights: FloatArray, shifts: FloatArray) -> None:
        band = envelopes.band
        names = () if band is None else band.mics
        used = [m for m, name in enumerate(envelopes.mics) if weights[m] and name in names]
        self.possible = band is not None and len(used) > 1
        if band is None or not self.possible:
            return
        self._band = band
        self._rows = [names.index(envelopes.mics[m]) for m in used]
        self._hop = STEP_MS * envelopes.hop // band.step
        size = 2 * self._hop
        freqs_hz = np.fft.rfftfreq(self._hop, band.step / envelopes.rate)
        self._bins = slice(*np.searchsorted(freqs_hz, (LOW_HZ, HIGH_HZ)).tolist())
        late = shifts[used] / band.step
        self._whole = np.round(late).astype(int)
        numbers = np.arange(freqs_hz.size)[self._bins]
        turn = 2.0 * np.pi * numbers / self._hop * (late - self._whole)[:, None]
        self._turn = np.exp(1j * turn).astype(np.complex64)
        self._window = np.hanning(size + 1)[:-1].reshape(2, -1).astype(np.float32)
        wave = np.exp(-2j * np.pi / self._hop * np.arange(self._hop)[:, None] * numbers)
        self._wave = wave.astype(np.complex64).view(np.float32)
        self.frames = -(-envelopes.frames // STEP_MS)

    def of(self, loud: BoolArray) -> Iterator[FloatArray]:
        """Agreement of all judged frames, chunk by chunk: 1 the guitar alone, around 0 anything from elsewhere.

        loud: (frames) whether the guitar is loud. Nothing where it never is.
        """
        if not loud.any():
            return
        scale, g, chance = self._guitar(loud)
        along_it = (g.conj().T * self._turn * scale[:, None]).astype(np.complex64)
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
            x = (self._spectra(start, stop)[:, loud[start:stop]] * self._turn[:, None]).transpose(2, 0, 1)
            matrix += x @ x.conj().transpose(0, 2, 1)
        power = np.einsum("fmm->m", matrix).real
        gain = np.sqrt(power.max() / np.maximum(power, 1e-20))
        matrix *= gain[:, None] * gain
        g = np.linalg.eigh(matrix)[1][:, :, -1]
        each = np.einsum("fmm->fm", matrix).real
        chance = float(np.sum(np.abs(g) ** 2 * each) / each.sum())
        return gain, g.astype(np.complex64), chance

    def _spectra(self, start: int, stop: int) -> Spectra:
        """(M, frames, F) of judged frames, each mic at its own advance in whole samples; what is left of it is in
        `_turn`. A frame's window is twice as long as it.

        Windows are folded, the second half added to the first, which leaves every other bin (weighted overlap-add:
        Crochiere & Rabiner, "Multirate Digital Signal Processing", 1983, chapter 7); bins next to each other say much
        the same under a Hann window. The transform is a product with the band's waves: for so many short frames and so
        few bins that is several times as fast as numpy's FFT.
        """
        half, hop = self._hop // 2, self._hop
        first, last = start * hop - half, (stop + 1) * hop - half
        earliest, latest = int(self._whole.min()), int(self._whole.max())
        read = self._band.read(first + earliest, last + latest)
        signals = np.empty((len(self._rows), last - first), np.float32)
        for row, (own, whole) in enumerate(zip(self._rows, self._whole.tolist(), strict=True)):
            signals[row] = read[own, whole - earliest :][: last - first]
        halves = signals.reshape(len(self._rows), -1, hop)
        folded = halves[:, :-1] * self._window[0]
        folded += halves[:, 1:] * self._window[1]
        found = folded @ self._wave
        spectra: Spectra = found.view(np.complex64)
        return spectra
