"""The rig of the demo: a high-gain amp, one cabinet, three close mics, a mic for the lows, and a mic in the room.

Amp: hiss and hum at its input, two clipping stages with filters between, oversampled. Room: a shoebox by image
sources (Allen and Berkley 1979), with walls that swallow more of the highs. Colours of cabinet and mics: analogue
filter sections on a frequency grid, so that they need no discretising and are the same at every rate; all are minimum
phase (peak: Bristow-Johnson's analogue prototype; the rest are textbook sections).

Everything between amp and file is linear and stays where it is for the whole session, so each mic is one
impulse response: cabinet, distance, colour, converter, polarity and gain.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from premix.arrays import ComplexArray, FloatArray
from premix.model.settings import Role
from premix.units import db_to_gain, s_to_samples, speed_of_sound_m_s

RealFrequencies = npt.NDArray[np.floating[Any]]
Kind = Literal["peak", "low_shelf", "high_shelf", "low_pass", "high_pass", "band_pass"]


@dataclass(frozen=True, slots=True)
class Section:
    """One filter section: kind, corner or centre, gain in dB (peak, shelves), q (all but shelves)."""

    kind: Kind
    hz: float
    gain_db: float = 0.0
    q: float = 0.7071


def response(sections: Sequence[Section], freqs_hz: RealFrequencies) -> ComplexArray:
    """Transfer function of sections in a row at freqs_hz, shape (F)."""
    total = np.ones(len(freqs_hz), np.complex128)
    for section in sections:
        s = np.asarray(1j * freqs_hz / section.hz, np.complex128)
        total *= _KINDS[section.kind](s, db_to_gain(section.gain_db), section.q)
    return total


_KINDS: dict[Kind, Callable[[ComplexArray, float, float], ComplexArray]] = {
    "peak": lambda s, gain, q: (s * s + s * gain**0.5 / q + 1.0) / (s * s + s / (gain**0.5 * q) + 1.0),
    "low_shelf": lambda s, gain, _q: (s + gain) / (s + 1.0),
    "high_shelf": lambda s, gain, _q: (gain * s + 1.0) / (s + 1.0),
    "low_pass": lambda s, _gain, q: 1.0 / (s * s + s / q + 1.0),
    "high_pass": lambda s, _gain, q: s * s / (s * s + s / q + 1.0),
    "band_pass": lambda s, _gain, q: (s / q) / (s * s + s / q + 1.0),
}
"""Kind -> transfer function at s = j f / corner, given linear gain and q."""


FIRST_GAIN_DB = 26.0
SECOND_GAIN_DB = 18.0
BIAS = 0.1
"""Operating point of the first stage: off the middle, so that even harmonics appear."""
MAINS_HZ = 50.0


def hiss_and_hum(frames: int, rate: int, rng: np.random.Generator, *, hiss_db: float, hum_db: float) -> FloatArray:
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
    between = np.vstack([butter(1, 220.0, "highpass", fs=fast, output="sos"), butter(1, 7000.0, fs=fast, output="sos")])
    x = sosfilt(between, x)
    x *= db_to_gain(SECOND_GAIN_DB)
    np.tanh(x, out=x)
    return np.asarray(resample_poly(x, 1, over), np.float64)


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
    """One mic, or with the role di the guitar itself, before the amp.

    distance_cm: from the speaker. converter_s: latency of its own converter. noise_dbfs: rms. amp: the first or the
    second, each through a cabinet of its own. place_m: of a room mic. file, channel: a file that it shares, and its
    channel there, from 1.
    """

    name: str
    role: Role
    distance_cm: float
    polarity: int
    gain_db: float
    noise_dbfs: float
    colour: tuple[Section, ...]
    converter_s: float = 0.0
    cabinet: tuple[Section, ...] = CABINET
    amp: Literal[0, 1] = 0
    place_m: Point | None = None
    file: str | None = None
    channel: int = 1

    def delay_s(self) -> float:
        """From the speaker to the file, the colour's own delay left out."""
        return self.distance_cm / 100.0 / speed_of_sound_m_s() + self.converter_s


ROOM_MIC_M = (CABINET_M[0] + 2.60, CABINET_M[1] + 1.55, CABINET_M[2] + 1.05)


def distance_cm(place_m: Point) -> float:
    """From the cabinet to a place in the room."""
    return 100.0 * math.sqrt(sum((a - b) ** 2 for a, b in zip(place_m, CABINET_M, strict=True)))


ROOM_DISTANCE_CM = distance_cm(ROOM_MIC_M)

COLOURS: dict[str, tuple[Section, ...]] = {
    "dynamic": (
        Section("high_pass", 20.0),
        Section("low_shelf", 180.0, 4.0),
        Section("peak", 5200.0, 5.0, 1.0),
        Section("peak", 780.0, -2.0, 1.5),
    ),
    "condenser": (
        Section("high_pass", 18.0),
        Section("low_shelf", 110.0, 2.0),
        Section("high_shelf", 6500.0, 4.0),
        Section("peak", 1900.0, -4.0, 2.5),
    ),
    "ribbon": (
        Section("high_pass", 25.0),
        Section("low_shelf", 220.0, 5.0),
        Section("high_shelf", 5500.0, -7.0),
        Section("peak", 1150.0, -3.0, 2.0),
    ),
    "sub": (Section("band_pass", 72.0, q=0.7), Section("low_pass", 700.0, q=0.5)),
    "room": (Section("high_pass", 30.0), Section("high_shelf", 5000.0, -2.0)),
}
MICS: tuple[DemoMic, ...] = (
    DemoMic("dynamic", "close", 2.5, 1, -18.0, -82.0, COLOURS["dynamic"]),
    DemoMic("condenser", "close", 17.3, 1, -16.5, -86.0, COLOURS["condenser"], converter_s=0.000612),
    DemoMic("ribbon", "close", 31.8, -1, -17.5, -80.0, COLOURS["ribbon"]),
    DemoMic("sub", "sub", 9.4, -1, -5.0, -82.0, COLOURS["sub"]),
    DemoMic("room", "room", ROOM_DISTANCE_CM, 1, -16.5, -84.0, COLOURS["room"], place_m=ROOM_MIC_M),
)
REFERENCE = "dynamic"
REFERENCE_MIC = next(mic for mic in MICS if mic.name == REFERENCE)

CLOSE_LENGTH_S = 0.15
LEAD = 64
"""Samples kept before time zero, so that a band-limited onset has room to ring ahead; cut off afterwards."""


def impulse_response(mic: DemoMic, rate: int) -> FloatArray:
    """From the amp's output to the file, without the mic's noise; shape (frames), time zero at LEAD."""
    from scipy.fft import next_fast_len

    room = room_response(mic.place_m, rate) if mic.place_m is not None else np.zeros(0)
    size = next_fast_len(LEAD + len(room) + round(CLOSE_LENGTH_S * rate), real=True)
    freqs = np.fft.rfftfreq(size, 1.0 / rate)
    spectrum = response(mic.cabinet + mic.colour, freqs) * mic.polarity * db_to_gain(mic.gain_db)
    if mic.place_m is not None:
        # The image sources hold the distance already; only the converter is left to add.
        delay = s_to_samples(mic.converter_s, rate)
        spectrum *= np.fft.rfft(room, size)
    else:
        delay = s_to_samples(mic.delay_s(), rate)
    spectrum *= np.exp(-2j * np.pi * freqs / rate * (LEAD + delay))
    return np.fft.irfft(spectrum, size)


def recorded_di(guitar: FloatArray, di: DemoMic, rng: np.random.Generator) -> FloatArray:
    """What a DI's file holds, shape (frames): the guitar as the amp is given it, and the box's own noise."""
    noise = db_to_gain(di.noise_dbfs) * rng.standard_normal(len(guitar))
    return np.asarray(db_to_gain(di.gain_db) * guitar + noise, np.float64)


def record(amp: FloatArray, mic: DemoMic, impulse: FloatArray, rng: np.random.Generator) -> FloatArray:
    """What the mic's file holds, shape (frames). amp: the amp's output; impulse: from `impulse_response`."""
    from scipy.signal import oaconvolve

    sound = oaconvolve(amp, impulse)[LEAD : LEAD + len(amp)]
    return np.asarray(sound + db_to_gain(mic.noise_dbfs) * rng.standard_normal(len(amp)), np.float64)
