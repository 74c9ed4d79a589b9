"""A shoebox room by image sources (Allen and Berkley 1979), with walls that swallow more of the highs."""

import math

import numpy as np
import numpy.typing as npt

from premix.units import speed_of_sound_m_s

FloatArray = npt.NDArray[np.float64]
Point = tuple[float, float, float]

SIZE_M: Point = (6.2, 4.9, 3.1)
CABINET_M: Point = (1.30, 2.20, 0.60)
LOW_REFLECTION = 0.83
HIGH_REFLECTION = 0.76
SPLIT_HZ = 1200.0
LENGTH_S = 0.5
OVER = 4
"""Images are placed on a grid this much finer than the samples, between its two nearest points."""


def room_response(mic_m: Point, rate: int) -> FloatArray:
    """Impulse response from the cabinet to a mic, shape (frames); the direct sound arrives at distance / c.

    Its strength is that of 1 / distance, distance in metres.
    """
    from scipy.signal import butter, resample_poly, sosfiltfilt

    distances, bounces = _images(mic_m, LENGTH_S * speed_of_sound_m_s())
    positions = distances / speed_of_sound_m_s() * rate * OVER
    low = _placed(positions, LOW_REFLECTION**bounces / distances, rate)
    high = _placed(positions, HIGH_REFLECTION**bounces / distances, rate)
    # Zero-phase split: low-passed difference on top of the high part leaves the direct sound untouched.
    split = butter(1, SPLIT_HZ, fs=rate * OVER, output="sos")
    fine = high + sosfiltfilt(split, low - high)
    return np.asarray(resample_poly(fine, 1, OVER), np.float64) * OVER


def _images(mic_m: Point, reach_m: float) -> tuple[FloatArray, FloatArray]:
    """Distance in metres and number of bounces of every image within reach."""
    axes = []
    for size, source, mic in zip(SIZE_M, CABINET_M, mic_m, strict=True):
        most = math.ceil(reach_m / (2.0 * size)) + 1
        n = np.arange(-most, most + 1)
        offsets = np.concatenate([2 * n * size + source, 2 * n * size - source]) - mic
        axes.append((offsets**2, np.concatenate([np.abs(2 * n), np.abs(2 * n - 1)])))
    (x2, xb), (y2, yb), (z2, zb) = axes
    squared = (x2[:, None, None] + y2[None, :, None] + z2).ravel()
    bounces = (xb[:, None, None] + yb[None, :, None] + zb).ravel()
    near = squared < reach_m**2
    return np.sqrt(squared[near]), bounces[near].astype(np.float64)


def _placed(positions: FloatArray, strengths: FloatArray, rate: int) -> FloatArray:
    """Pulses between the samples of the fine grid, shared by the two nearest."""
    size = math.ceil(LENGTH_S * rate) * OVER + 2
    whole = np.floor(positions).astype(np.int64)
    part = positions - whole
    early = np.bincount(whole, strengths * (1.0 - part), size)
    late = np.bincount(whole + 1, strengths * part, size)
    return np.asarray(early + late, np.float64)
