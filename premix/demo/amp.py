"""A high-gain amp: hiss and hum at its input, two clipping stages with filters between, oversampled."""

import numpy as np
import numpy.typing as npt

from premix.units import db_to_gain

FloatArray = npt.NDArray[np.float64]

FIRST_GAIN_DB = 26.0
SECOND_GAIN_DB = 18.0
BIAS = 0.1
"""Operating point of the first stage: off the middle, so that even harmonics appear."""
MAINS_HZ = 50.0


def hiss_and_hum(
    frames: int, rate: int, rng: np.random.Generator, *, hiss_db: float, hum_db: float
) -> FloatArray:
    """What the amp hears when nobody plays, shape (frames): what leaves it has these levels in dB (rms).

    Before the amp's filters, and while it is not driven: under a played note the clipping pushes both down.
    """
    time = np.arange(frames) / rate
    hum = np.zeros(frames)
    for harmonic, level in ((1, 1.0), (2, 0.5), (3, 0.6), (5, 0.3), (7, 0.15)):
        hum += level * np.sin(2.0 * np.pi * (harmonic * MAINS_HZ * time + rng.uniform()))
    # White noise is spread to half the rate: written for the 24 kHz of 48 kHz sound, whatever the rate.
    hiss = rng.standard_normal(frames) * np.sqrt(rate / 48000.0)
    lift = db_to_gain(FIRST_GAIN_DB + SECOND_GAIN_DB)
    return np.asarray((db_to_gain(hiss_db) * hiss + db_to_gain(hum_db) * hum) / lift, np.float64)


def amplify(guitar: FloatArray, rate: int, *, drive_db: float = 0.0) -> FloatArray:
    """The amp's output, shape (frames), within about -1 to 1. guitar: pick-up signal, loud strokes near 1."""
    from scipy.signal import butter, resample_poly, sosfilt

    over = 4 if rate <= 50000 else 2
    fast = rate * over
    tight = butter(1, 250.0, "highpass", fs=rate, output="sos")
    x = resample_poly(sosfilt(tight, guitar) * db_to_gain(FIRST_GAIN_DB + drive_db), over, 1)
    x = np.tanh(x + BIAS)
    x -= np.tanh(BIAS)
    between = np.vstack(
        [butter(1, 220.0, "highpass", fs=fast, output="sos"), butter(1, 7000.0, fs=fast, output="sos")]
    )
    x = sosfilt(between, x)
    x *= db_to_gain(SECOND_GAIN_DB)
    np.tanh(x, out=x)
    return np.asarray(resample_poly(x, 1, over), np.float64)
