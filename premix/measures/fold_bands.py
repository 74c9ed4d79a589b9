"""Mono fold of a stereo stream in third-octave bands: what the spectrum loses when the sides are summed."""

import numpy as np
import numpy.typing as npt

from premix.dsp.bands import band_slices, third_octave_bands
from premix.measures.correlation import StereoSums
from premix.measures.sparse_frames import SparseFrames
from premix.model.render import BandFold
from premix.units import db_to_power

FloatArray = npt.NDArray[np.float64]

LOWEST_HZ, HIGHEST_HZ = 40.0, 16_000.0
BIN_HZ = 3.5
"""Bins are at most this wide: the 40 Hz band, 9.2 Hz wide, holds three of them at 48 kHz."""
MOST_FRAMES = 64
EMPTY_DB = -80.0
"""A band this far under the whole is left out: it would show the window's leakage, not the music."""


class FoldBandsMeter:
    """Mono fold by band of a stream of stereo blocks, shape (2, frames).

    Energies of L, R and their product from averaged Hann-windowed spectra, so a band's figure is
    10 log10((1 + rho_band) / 2) at equal levels, with rho_band the band's correlation at lag zero.
    """

    def __init__(self, rate: int) -> None:
        size = 1 << int(np.ceil(np.log2(rate / BIN_HZ)))
        self._frames = SparseFrames(2, size, MOST_FRAMES)
        self._window = np.hanning(size + 1)[:-1]
        self._freqs: FloatArray = np.fft.rfftfreq(size, 1.0 / rate).astype(np.float64)
        self._sums = np.zeros((3, len(self._freqs)))
        bands = third_octave_bands(LOWEST_HZ, HIGHEST_HZ)
        self._bands = tuple(band for band in bands if band.upper_hz < rate / 2)

    def feed(self, block: FloatArray) -> None:
        """Measure the next block."""
        for weight, frame in self._frames.feed(block):
            left, right = np.fft.rfft(frame * self._window)
            self._sums[0] += weight * (left.real**2 + left.imag**2)
            self._sums[1] += weight * (right.real**2 + right.imag**2)
            self._sums[2] += weight * (left.real * right.real + left.imag * right.imag)

    def bands(self) -> tuple[BandFold, ...]:
        """Mono fold of the bands that hold sound, lowest first."""
        empty = self._sums[:2].sum() * db_to_power(EMPTY_DB)
        folds = []
        for band, bins in zip(self._bands, band_slices(self._freqs, self._bands), strict=True):
            sums = StereoSums(*map(float, self._sums[:, bins].sum(axis=1)))
            fold_db = sums.fold_db()
            if fold_db is not None and sums.left + sums.right > empty:
                folds.append(BandFold(band.centre_hz, fold_db))
        return tuple(folds)
