"""The set-up: one cabinet, three close mics, a loudspeaker used as a mic for the lows, and a room mic.

Everything between amp and file is linear and stays where it is for the whole session, so each mic is one
impulse response: cabinet, distance, colour, converter, polarity and gain.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from premix.demo.filters import Section, response
from premix.demo.room import CABINET_M, room_response
from premix.units import db_to_gain, s_to_samples, speed_of_sound_m_s

FloatArray = npt.NDArray[np.float64]

CABINET: tuple[Section, ...] = (
    Section("high_pass", 80.0, q=0.55),
    Section("peak", 110.0, 4.0, 0.7),
    Section("peak", 430.0, -5.0, 1.0),
    Section("peak", 1450.0, -4.0, 3.0),
    Section("peak", 2600.0, 5.0, 1.2),
    Section("low_pass", 4800.0, q=0.54),
    Section("low_pass", 5200.0, q=1.3),
)
"""Box resonance near 110 Hz, two notches, a presence rise, and the fall of a large cone above 5 kHz."""


@dataclass(frozen=True, slots=True)
class DemoMic:
    """One mic. distance_cm: from the speaker. converter_s: latency of its own converter. noise_dbfs: rms."""

    name: str
    role: Literal["close", "sub", "room"]
    distance_cm: float
    polarity: int
    gain_db: float
    noise_dbfs: float
    colour: tuple[Section, ...]
    converter_s: float = 0.0

    def delay_s(self) -> float:
        """From the speaker to the file, the colour's own delay left out."""
        return self.distance_cm / 100.0 / speed_of_sound_m_s() + self.converter_s


ROOM_MIC_M = (CABINET_M[0] + 2.60, CABINET_M[1] + 1.55, CABINET_M[2] + 1.05)
ROOM_DISTANCE_CM = 100.0 * sum((a - b) ** 2 for a, b in zip(ROOM_MIC_M, CABINET_M, strict=True)) ** 0.5

MICS: tuple[DemoMic, ...] = (
    DemoMic("dynamic", "close", 2.5, 1, -18.0, -82.0, (
        Section("high_pass", 20.0), Section("low_shelf", 180.0, 4.0), Section("peak", 5200.0, 5.0, 1.0),
        Section("peak", 780.0, -2.0, 1.5))),
    DemoMic("condenser", "close", 17.3, 1, -16.5, -86.0, (
        Section("high_pass", 18.0), Section("low_shelf", 110.0, 2.0), Section("high_shelf", 6500.0, 4.0),
        Section("peak", 1900.0, -4.0, 2.5)), converter_s=0.000612),
    DemoMic("ribbon", "close", 31.8, -1, -17.5, -80.0, (
        Section("high_pass", 25.0), Section("low_shelf", 220.0, 5.0), Section("high_shelf", 5500.0, -7.0),
        Section("peak", 1150.0, -3.0, 2.0))),
    DemoMic("sub", "sub", 9.4, -1, -5.0, -82.0, (
        Section("band_pass", 72.0, q=0.7), Section("low_pass", 700.0, q=0.5))),
    DemoMic("room", "room", ROOM_DISTANCE_CM, 1, -16.5, -84.0, (
        Section("high_pass", 30.0), Section("high_shelf", 5000.0, -2.0))),
)
REFERENCE = "dynamic"

CLOSE_LENGTH_S = 0.15
LEAD = 64
"""Samples kept before time zero, so that a band-limited onset has room to ring ahead; cut off afterwards."""


def impulse_response(mic: DemoMic, rate: int) -> FloatArray:
    """From the amp's output to the file, without the mic's noise; shape (frames), time zero at LEAD."""
    from scipy.fft import next_fast_len

    room = room_response(ROOM_MIC_M, rate) if mic.role == "room" else np.zeros(0)
    size = next_fast_len(LEAD + len(room) + round(CLOSE_LENGTH_S * rate), real=True)
    freqs = np.fft.rfftfreq(size, 1.0 / rate)
    spectrum = response(CABINET + mic.colour, freqs) * mic.polarity * db_to_gain(mic.gain_db)
    if mic.role == "room":
        # The image sources hold the distance already; only the converter is left to add.
        delay = s_to_samples(mic.converter_s, rate)
        spectrum *= np.fft.rfft(room, size)
    else:
        delay = s_to_samples(mic.delay_s(), rate)
    spectrum *= np.exp(-2j * np.pi * freqs / rate * (LEAD + delay))
    return np.fft.irfft(spectrum, size)


def record(amp: FloatArray, mic: DemoMic, impulse: FloatArray, rng: np.random.Generator) -> FloatArray:
    """What the mic's file holds, shape (frames). amp: the amp's output; impulse: from `impulse_response`."""
    from scipy.signal import oaconvolve

    sound = oaconvolve(amp, impulse)[LEAD : LEAD + len(amp)]
    return np.asarray(sound + db_to_gain(mic.noise_dbfs) * rng.standard_normal(len(amp)), np.float64)
