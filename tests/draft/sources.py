"""Small sessions whose every mic is made by formula: cheap enough to make one for each doubt."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np
from scipy.signal import butter, oaconvolve, sosfilt

from premix.draft.proposal import Proposal
from premix.draft.propose import propose
from premix.tracks.find import list_files
from tests.rigs.sessions import FloatArray, riff, write_track

RATE = 48000


def performance(seed: int, seconds: float = 3.0) -> FloatArray:
    """What one performance plays, shape (frames)."""
    return riff(seed, round(seconds * RATE))


def late(signal: FloatArray, ms: float) -> FloatArray:
    """The signal, later by whole samples."""
    by = round(ms / 1000.0 * RATE)
    return np.concatenate([np.zeros(by), signal[: len(signal) - by]])


def in_room(
    signal: FloatArray, seed: int, *, decay_s: float, arrival_ms: float = 9.0, direct_db: float = -8.0
) -> FloatArray:
    """A room mic: the direct sound, late, and noise that falls by 60 dB in `decay_s` (ISO 3382-1: reverberation time).

    direct_db: energy of the direct sound against that of all the rest.
    """
    rng = np.random.default_rng([seed, 21])
    tail = rng.standard_normal(round(decay_s * RATE))
    tail *= 10.0 ** (-3.0 * np.arange(len(tail)) / len(tail))
    tail /= np.sqrt(np.sum(tail**2))
    tail[0] += 10.0 ** (direct_db / 20.0)
    heard = oaconvolve(late(signal, arrival_ms), tail)[: len(signal)]
    return np.asarray(0.5 * heard) + 1e-4 * rng.standard_normal(len(signal))


def with_lows(signal: FloatArray, share: float) -> FloatArray:
    """The signal with `share` of its power below 150 Hz, by the gain of its lows."""
    split = butter(4, 150.0, "lowpass", fs=RATE, output="sos")
    lows = np.asarray(sosfilt(split, signal))
    highs = signal - lows
    spectrum = [np.abs(np.fft.rfft(part)) ** 2 for part in (lows, highs)]
    below = np.fft.rfftfreq(len(signal), 1.0 / RATE) < 150.0
    gains = np.geomspace(1e-3, 1e3, 4001)
    power = np.abs(np.fft.rfft(lows)[None, below] * 1.0) ** 2
    cross = 2.0 * np.real(np.fft.rfft(lows) * np.conj(np.fft.rfft(highs)))
    low = gains**2 * np.sum(power) + gains * np.sum(cross[below]) + np.sum(spectrum[1][below])
    whole = gains**2 * np.sum(spectrum[0]) + gains * np.sum(cross) + np.sum(spectrum[1])
    gain = gains[np.argmin(np.abs(low / whole - share))]
    found = highs + gain * lows
    return np.asarray(0.3 * found / np.max(np.abs(found)))


def write_mics(folder: Path, mics: Mapping[str, FloatArray], subtype: str = "PCM_24") -> Path:
    """A folder of tracks, by the names of their files without extension."""
    for name, signal in mics.items():
        write_track(folder / f"{name}.wav", signal, RATE, subtype)
    return folder


def proposed(folder: Path) -> Proposal:
    """The proposal for a folder."""
    return propose(folder, [file.name for file in list_files(folder, 3) if file.is_audio])
