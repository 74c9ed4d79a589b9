"""Conversions between units, one function a direction; nothing else converts.

Gains in dB are amplitude gains (20 log10). Delays in samples are at the rate that is passed.
A distance is what sound travels in the time of a delay.
"""

import math

REFERENCE_TEMPERATURE_C = 20.0
SILENCE_DB = -400.0
"""What `gain_to_db` gives for zero: below anything 64-bit audio can hold, yet finite."""


def db_to_gain(db: float) -> float:
    """Amplitude factor of a gain in dB."""
    return float(10.0 ** (db / 20.0))


def gain_to_db(gain: float) -> float:
    """Gain in dB of an amplitude factor >= 0; zero gives `SILENCE_DB`."""
    return 20.0 * math.log10(gain) if gain > 0.0 else SILENCE_DB


def power_to_db(power: float) -> float:
    """Level in dB of a power ratio >= 0; zero gives `SILENCE_DB`."""
    return 10.0 * math.log10(power) if power > 0.0 else SILENCE_DB


def db_to_power(db: float) -> float:
    """Power ratio of a level in dB."""
    return float(10.0 ** (db / 10.0))


def ms_to_samples(ms: float, rate: int) -> float:
    """Samples (not rounded) in a time in milliseconds."""
    return ms * rate / 1000.0


def samples_to_ms(samples: float, rate: int) -> float:
    """Milliseconds in a number of samples."""
    return samples * 1000.0 / rate


def samples_to_s(samples: float, rate: int) -> float:
    """Seconds in a number of samples."""
    return samples / rate


def s_to_samples(seconds: float, rate: int) -> float:
    """Samples (not rounded) in a time in seconds."""
    return seconds * rate


def speed_of_sound_m_s(temperature_c: float = REFERENCE_TEMPERATURE_C) -> float:
    """Speed of sound in air: c = 343.2 sqrt(T / 293.15) m/s, T in kelvin (ISO 9613-1:1993)."""
    return 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)


def samples_to_cm(samples: float, rate: int, temperature_c: float = REFERENCE_TEMPERATURE_C) -> float:
    """Distance in centimetres that sound travels in a delay of `samples`."""
    return 100.0 * speed_of_sound_m_s(temperature_c) * samples / rate


def cm_to_samples(cm: float, rate: int, temperature_c: float = REFERENCE_TEMPERATURE_C) -> float:
    """Delay in samples of a distance in centimetres."""
    return cm / 100.0 / speed_of_sound_m_s(temperature_c) * rate


def clock(seconds: float) -> str:
    """'1:02.35'."""
    minutes, rest = divmod(round(seconds, 2), 60.0)
    return f"{int(minutes)}:{rest:05.2f}"
