"""Third-octave bands (IEC 61260-1, base-10) and the second-order Butterworth response used by mics."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

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
    bands = []
    for index in range(-20, 14):
        centre = 1000.0 * _OCTAVE_RATIO ** (index / 3.0)
        if low_hz * 0.98 <= centre <= high_hz * 1.02:
            half = _OCTAVE_RATIO ** (1.0 / 6.0)
            bands.append(Band(centre / half, centre, centre * half))
    return tuple(bands)


def band_slices(freqs_hz: npt.NDArray[np.float64], bands: tuple[Band, ...]) -> tuple[slice, ...]:
    """The bins of each band as slices of the ascending `freqs_hz`; a bin belongs to one band only."""
    edges = [(np.searchsorted(freqs_hz, b.lower_hz), np.searchsorted(freqs_hz, b.upper_hz)) for b in bands]
    return tuple(slice(int(lo), int(hi)) for lo, hi in edges)


def band_limits(rate: int) -> tuple[float, float]:
    """Lowest and highest frequency in Hz that any band of the analysis needs at this rate."""
    return 30.0, min(11_300.0, 0.45 * rate)
