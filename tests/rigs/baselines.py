"""Plain ways to find one mic's delay and polarity against another, for comparison only.

Knapp & Carter, IEEE Trans. ASSP 24(4), 1976 (cross-correlation, PHAT); Clifford & Reiss, JAES 61(11), 2013 (a window
that falls to zero before PHAT).
"""

import numpy as np

from premix.arrays import ComplexArray, FloatArray

FRAME = 16384


def _peak(cross: ComplexArray, size: int, search: float) -> tuple[float, int]:
    """Delay (positive: the second signal is late) and polarity at the largest magnitude, parabola between samples."""
    curve = np.fft.irfft(cross, size)
    reach = int(search)
    lags = np.arange(-reach, reach + 1)
    values = curve[lags]
    best = int(np.argmax(np.abs(values)))
    sign = 1 if values[best] >= 0 else -1
    delay = float(lags[best])
    if 0 < best < len(lags) - 1:
        left, mid, right = np.abs(values[best - 1 : best + 2])
        bend = left - 2 * mid + right
        delay += 0.5 * (left - right) / bend if bend else 0.0
    return delay, sign


def cross_correlation(reference: FloatArray, signal: FloatArray, search: float) -> tuple[float, int]:
    """Largest magnitude of the plain cross-correlation of the whole files."""
    size = 1 << int(np.ceil(np.log2(len(signal) + search + 1)))
    return _peak(np.fft.rfft(signal, size) * np.fft.rfft(reference, size).conj(), size, search)


def phat(reference: FloatArray, signal: FloatArray, search: float) -> tuple[float, int]:
    """The same after whitening every bin of the whole files (GCC-PHAT, rectangular window)."""
    size = 1 << int(np.ceil(np.log2(len(signal) + search + 1)))
    cross = np.fft.rfft(signal, size) * np.fft.rfft(reference, size).conj()
    return _peak(cross / np.maximum(np.abs(cross), 1e-20), size, search)


def phat_hann(reference: FloatArray, signal: FloatArray, search: float) -> tuple[float, int]:
    """PHAT of the cross-spectrum averaged over Hann frames."""
    window = np.hanning(FRAME + 1)[:-1]
    total: ComplexArray = np.zeros(FRAME // 2 + 1, np.complex128)
    for start in range(0, len(signal) - FRAME + 1, FRAME // 2):
        a, b = (np.fft.rfft(x[start : start + FRAME] * window) for x in (reference, signal))
        total = total + b * a.conj()
    return _peak(total / np.maximum(np.abs(total), 1e-20), FRAME, search)


BASELINES = {"cross-correlation": cross_correlation, "GCC-PHAT": phat, "PHAT with Hann": phat_hann}
