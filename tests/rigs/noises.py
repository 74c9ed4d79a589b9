"""What a mic hears besides the guitar: hiss, mains hum, a drummer in the next room."""

import numpy as np
import numpy.typing as npt
from scipy.signal import butter, lfilter, sosfilt

FloatArray = npt.NDArray[np.float64]


def rms(signal: FloatArray) -> float:
    """Root of the mean square."""
    return float(np.sqrt(np.mean(signal**2)))


def at_level(signal: FloatArray, db: float) -> FloatArray:
    """The signal scaled to an rms of `db`."""
    scaled: FloatArray = signal * 10.0 ** (db / 20.0) / rms(signal)
    return scaled


def hiss(frames: int, rng: np.random.Generator) -> FloatArray:
    """White noise of rms 1, shape (frames)."""
    return rng.standard_normal(frames)


def hum(frames: int, rate: int, rng: np.random.Generator, mains_hz: float = 50.0) -> FloatArray:
    """Mains hum with harmonics up to the ninth, of rms 1, shape (frames); the mains drift by some 0.02 Hz."""
    drift = 2.0 * np.pi * 0.02 / 0.3 * np.sin(2.0 * np.pi * 0.3 * np.arange(frames) / rate)
    phase = 2.0 * np.pi * mains_hz * np.arange(frames) / rate + drift
    total = np.zeros(frames)
    for harmonic in (1, 2, 3, 4, 5, 7, 9):
        level = rng.uniform(0.3, 1.0) / harmonic**0.7
        total += level * np.sin(harmonic * phase + rng.uniform(0.0, 2.0 * np.pi))
    return at_level(total, 0.0)


def drums(frames: int, rate: int, rng: np.random.Generator, tempo_bpm: float = 112.0) -> FloatArray:
    """A plain beat of rms 1: kick, snare and hi-hat as decaying tones and noise, shape (frames)."""
    eighth = 30.0 / tempo_bpm
    count = int(frames / rate / eighth)
    onsets = {kind: np.zeros(frames) for kind in ("kick", "snare", "hat")}
    for index in range(count):
        at = min(frames - 1, max(0, int((index * eighth + rng.normal(0.0, 0.004)) * rate)))
        onsets["hat"][at] += rng.uniform(0.7, 1.0)
        if index % 4 == 2:
            onsets["snare"][at] += 1.0
        elif index % 4 == 0 or rng.uniform() < 0.3:
            onsets["kick"][at] += 1.0
    noise = rng.standard_normal(frames)
    kick = _struck(onsets["kick"], rate, 0.09) * np.sin(2.0 * np.pi * 58.0 * np.arange(frames) / rate)
    snare = _struck(onsets["snare"], rate, 0.06) * _band(noise, rate, 180.0, 6000.0)
    hat = _struck(onsets["hat"], rate, 0.03) * _band(noise, rate, 6000.0, 0.45 * rate)
    return at_level(2.0 * kick + 1.5 * snare + 0.5 * hat, 0.0)


def _struck(onsets: FloatArray, rate: int, decay_s: float) -> FloatArray:
    """Exponential decays from each onset."""
    return np.asarray(lfilter([1.0], [1.0, -np.exp(-1.0 / (decay_s * rate))], onsets))


def _band(noise: FloatArray, rate: int, low_hz: float, high_hz: float) -> FloatArray:
    return np.asarray(sosfilt(butter(2, [low_hz, high_hz], "bandpass", fs=rate, output="sos"), noise))
