"""Plain levels of a stream: sample peak, rms, crest factor, DC.

Conventions. Peaks: 0 dBFS is a sample at full scale (|x| = 1). RMS levels follow AES17: 0 dBFS is the rms of
a full-scale sine, so such a sine reads 0.00 dBFS rms and a full-scale square wave +3.01. The crest factor is
peak over plain rms and knows no convention: 3.01 dB for a sine, 0 dB for a square wave.
"""

import math

import numpy as np
import numpy.typing as npt

from premix.units import gain_to_db, power_to_db

FloatArray = npt.NDArray[np.float64]

SINE_RMS = math.sqrt(0.5)


def rms_to_dbfs(rms: float) -> float:
    """Level in dBFS (AES17) of an rms value >= 0."""
    return gain_to_db(rms / SINE_RMS)


class LevelMeter:
    """Levels of a stream of blocks, shape (channels, frames), over all samples of all channels."""

    def __init__(self, rate: int, channels: int) -> None:
        self._peak = 0.0
        self._energy = 0.0
        self._sums = np.zeros(channels)
        self._frames = 0

    def feed(self, block: FloatArray) -> None:
        """Measure the next block."""
        if not block.size:
            return
        self._peak = max(self._peak, float(block.max()), -float(block.min()))
        self._energy += sum(float(channel @ channel) for channel in block)
        self._sums += block.sum(axis=1)
        self._frames += block.shape[1]

    def values(self, gain: float = 1.0) -> dict[str, float | None]:
        """Levels as if a linear gain had been applied, under the names of `PartMeasures`.

        dc: mean of the channel whose mean is farthest from zero. Silence has no level in dB.
        """
        means = self._sums * gain / max(1, self._frames)
        dc = float(means[np.argmax(np.abs(means))])
        mean_square = self._energy / max(1, self._frames * len(self._sums))
        if self._peak * gain == 0.0 or mean_square == 0.0:
            return {"sample_peak_dbfs": None, "rms_dbfs": None, "crest_db": None, "dc": dc}
        return {
            "sample_peak_dbfs": gain_to_db(self._peak * abs(gain)),
            "rms_dbfs": rms_to_dbfs(math.sqrt(mean_square) * abs(gain)),
            "crest_db": power_to_db(self._peak**2 / mean_square),
            "dc": dc,
        }
