"""Bands of frequencies: third octaves (IEC 61260-1, base-10) and their bins in a spectrum, and the band of a gate's key
as power over time."""

from dataclasses import dataclass

import numpy as np

from premix.arrays import FloatArray, HalfArray, SingleArray
from premix.audio.filters import SectionFilter, high_pass, low_pass

_OCTAVE_RATIO = 10.0**0.3


@dataclass(frozen=True, slots=True)
class Band:
    """One fractional-octave band; edges and centre in Hz."""

    lower_hz: float
    centre_hz: float
    upper_hz: float


def third_octave_bands(low_hz: float, high_hz: float) -> tuple[Band, ...]:
    """Bands whose nominal centre lies from `low_hz` to `high_hz`.

    Exact centres are 1000 G^(x/3) Hz with G = 10^0.3, edges G^(+-1/6) around them (IEC 61260-1:2014, 5.2-5.5).
    Nominal centres are within 1.6 % of the exact ones, so 2 % of slack picks the nominal band that is meant.
    """
    half = _OCTAVE_RATIO ** (1.0 / 6.0)
    centres = (1000.0 * _OCTAVE_RATIO ** (index / 3.0) for index in range(-20, 14))
    return tuple(Band(c / half, c, c * half) for c in centres if low_hz * 0.98 <= c <= high_hz * 1.02)


def band_slices(freqs_hz: FloatArray, bands: tuple[Band, ...]) -> tuple[slice, ...]:
    """The bins of each band as slices of the ascending `freqs_hz`; a bin belongs to one band only."""
    edges = [(np.searchsorted(freqs_hz, b.lower_hz), np.searchsorted(freqs_hz, b.upper_hz)) for b in bands]
    return tuple(slice(int(lo), int(hi)) for lo, hi in edges)


def band_limits(rate: int) -> tuple[float, float]:
    """Lowest and highest frequency in Hz that any band of the analysis needs at this rate."""
    return 30.0, min(11_300.0, 0.45 * rate)


KEY_BAND_HZ = (200.0, 5000.0)
"""Where a distorted guitar lives, and where close mics can tell it from bleed: below are hum, kick drums and DC, which
mics a hand apart hear alike wherever they come from; above are hiss and cymbals."""
BAND_SCALE = 1024.0
"""Factor of band samples kept as 16-bit floats: their full precision then reaches from +36 to -144 dBFS."""


class KeyPower:
    """Mean squares of the key band, one value per control frame, whatever the block size.

    A Butterworth high-pass of 24 dB per octave, which leaves nothing of a kick drum, and a low-pass of 12. They are
    causal, so nothing sounds before an onset, and they ring on only briefly. As only the power per
    frame is kept, the signal is first averaged over short runs of samples: a low-pass of its own, whose delay
    cancels against the frame, and what folds back into the band still counts as power.

    rate: samples a second. hop: samples of a control frame. band_hz: low and high edge; a high edge above
    0.45 of the rate is moved there. ValueError when the band is empty or hop < 1.
    """

    def __init__(self, rate: int, hop: int, band_hz: tuple[float, float] = KEY_BAND_HZ) -> None:
        low, high = band_hz[0], min(band_hz[1], 0.45 * rate)
        if hop < 1 or not 0.0 < low < high:
            raise ValueError(f"hop {hop} or band {band_hz} Hz cannot be used at {rate} samples/s")
        self.hop = hop
        # The most samples that may be averaged: they divide the frame and leave the band below Nyquist.
        divisors = (step for step in range(1, hop + 1) if hop % step == 0)
        self._step = max(step for step in divisors if step == 1 or rate / step >= 2.2 * high)
        thin = rate / self._step
        self._filter = SectionFilter(np.concatenate([high_pass(low, 4, thin), low_pass(high, 2, thin)]))
        self._begun = False
        self._rest = np.zeros(0)

    @property
    def step(self) -> int:
        """Samples of the signal in one sample of its band."""
        return self._step

    def feed(self, x: FloatArray) -> SingleArray:
        """Mean squares of the frames that `x`, shape (n,), completes; what is left over waits for the next call.

        The samples must be finite: a NaN would stay in the filters for good.
        """
        return self.feed_both(x)[0]

    def feed_both(self, x: FloatArray) -> tuple[SingleArray, HalfArray]:
        """The same, and the band itself in those frames: hop / step samples each, times BAND_SCALE."""
        x = np.concatenate([self._rest, x]) if self._rest.size else x
        whole = x.size - x.size % self.hop
        self._rest = x[whole:].copy()
        return self._power(x[:whole])

    def finish(self) -> SingleArray:
        """The mean square of the last, partial frame: one value, or none where the song ends with a frame."""
        return self.finish_both()[0]

    def finish_both(self) -> tuple[SingleArray, HalfArray]:
        """The same, and the band in that frame, filled up with silence."""
        count = self._rest.size
        if not count:
            return np.zeros(0, np.float32), np.zeros(0, np.float16)
        padded = np.concatenate([self._rest, np.zeros(self.hop - count)])
        self._rest = np.zeros(0)
        power, band = self._power(padded)
        return (power * (self.hop / count)).astype(np.float32), band

    def _power(self, x: FloatArray) -> tuple[SingleArray, HalfArray]:
        if not x.size:
            return np.zeros(0, np.float32), np.zeros(0, np.float16)
        # Strided sums, not a matrix product: the same bits for every block size.
        band = x[0 :: self._step].copy()
        for offset in range(1, self._step):
            band += x[offset :: self._step]
        band /= self._step
        if not self._begun:
            # As if the first sample had stood there for ever: a DC offset is no sound, not even at the start.
            self._filter.settle(band[:1])
            self._begun = True
        self._filter.run(band[None])
        kept = (band * BAND_SCALE).astype(np.float16)
        band = band.reshape(-1, self.hop // self._step)
        power: FloatArray = np.einsum("fs,fs->f", band, band) / band.shape[1]
        return power.astype(np.float32), kept
