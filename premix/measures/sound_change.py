"""How two renders of one part differ in sound: in level, in the third octave that changed most, and by a null test.

Third octaves of IEC 61260-1, from the mean power of Hann-windowed frames that overlap by half (Welch, IEEE Trans. Audio
and Electroacoustics 15 (2), 1967). A band counts where either render has it within 60 dB of its strongest one.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from premix.arrays import FloatArray
from premix.audio.bands import band_slices, third_octave_bands
from premix.units import power_to_db

COUNTS_DB = 60.0
_FLOOR_DB = 100.0
"""Below its strongest band: how far down what is not there is taken to be."""
_FRAME_S = 0.34


@dataclass(frozen=True, slots=True)
class SoundChange:
    """The new render against the old one; None: nothing to measure, as one of the two is silent.

    level_db: of the whole. band_db: of the third octave around `band_hz` whose level changed most. null_db: level of
    the difference of the two against the old one; None also where every sample is equal.
    """

    level_db: float | None
    band_hz: float | None
    band_db: float | None
    null_db: float | None

    def told(self) -> str:
        """'level +1.00 dB, most at 1000 Hz: +1.02 dB, null -18.3 dB'."""
        level = "silent in one of the two" if self.level_db is None else f"level {self.level_db:+.2f} dB"
        band = "" if self.band_hz is None else f", most at {self.band_hz:.0f} Hz: {self.band_db:+.2f} dB"
        return f"{level}{band}" + ("" if self.null_db is None else f", null {self.null_db:.1f} dB")


def sound_change(old: Iterable[FloatArray], new: Iterable[FloatArray], rate: int) -> SoundChange:
    """Compare two streams of equal length in equal blocks, shape (channels, frames).

    ValueError where the blocks' shapes differ.
    """
    spectra = (_BandPower(rate), _BandPower(rate))
    energies = np.zeros(3)  # of old, new and their difference
    for one, other in zip(old, new, strict=True):
        if one.shape != other.shape:
            raise ValueError(f"blocks of {one.shape} and {other.shape}")
        for spectrum, block in zip(spectra, (one, other), strict=True):
            spectrum.feed(block)
        energies += [float(np.vdot(block, block)) for block in (one, other, other - one)]
    before, after, left = energies
    null_db = power_to_db(left / before) if left > 0.0 and before > 0.0 else None
    if before == 0.0 or after == 0.0:
        return SoundChange(None, None, None, null_db)
    band_hz, band_db = _most(spectra[0], spectra[1])
    return SoundChange(power_to_db(after / before), band_hz, band_db, null_db)


class _BandPower:
    """Power of a stream by third octave, all channels together."""

    def __init__(self, rate: int) -> None:
        self._frame = 1 << round(math.log2(rate * _FRAME_S))
        self.bands = third_octave_bands(40.0, min(16_000.0, 0.44 * rate))
        self._slices = band_slices(np.asarray(np.fft.rfftfreq(self._frame, 1.0 / rate), np.float64), self.bands)
        self._window = np.hanning(self._frame + 1)[:-1]
        self._rest: FloatArray | None = None
        self._power = np.zeros(self._frame // 2 + 1)

    def feed(self, block: FloatArray) -> None:
        held = np.zeros((len(block), self._frame // 2)) if self._rest is None else self._rest
        samples = np.concatenate([held, block], axis=1)
        hop = self._frame // 2
        count = max(0, (samples.shape[1] - self._frame) // hop + 1)
        if count:
            frames = np.lib.stride_tricks.sliding_window_view(samples, self._frame, axis=1)[:, : count * hop : hop]
            self._power += (np.abs(np.fft.rfft(frames * self._window, axis=-1)) ** 2).sum(axis=(0, 1))
        self._rest = samples[:, count * hop :]

    def levels_db(self) -> FloatArray:
        """Of every band against the strongest one, and the power of that one in dB: (bands + 1)."""
        rest = self._rest
        if rest is not None:  # the end that fills no frame
            padded = np.zeros((len(rest), -(-rest.shape[1] // self._frame) * self._frame))
            padded[:, : rest.shape[1]] = rest
            self._rest = None
            self.feed(padded)
        powers = np.array([self._power[part].sum() for part in self._slices])
        top = float(powers.max(initial=0.0))
        if top == 0.0:
            return np.full(len(powers) + 1, -_FLOOR_DB)
        return np.append(10.0 * np.log10(np.maximum(powers / top, 10.0 ** (-_FLOOR_DB / 10.0))), power_to_db(top))


def _most(old: _BandPower, new: _BandPower) -> tuple[float | None, float | None]:
    """Centre and change of the band that changed most."""
    before, after = old.levels_db(), new.levels_db()
    counted = np.maximum(before[:-1], after[:-1]) >= -COUNTS_DB
    apart = (after[:-1] + after[-1]) - (before[:-1] + before[-1])
    if not counted.any():
        return None, None
    most = int(np.argmax(np.where(counted, np.abs(apart), -1.0)))
    return old.bands[most].centre_hz, float(apart[most])
