"""Recordings for tests: seeded integers as files, written by soundfile and not by premix's own code."""

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import soundfile

RATE = 48000
# container, subtype, extension of every linear format that is read
FORMATS = (
    ("WAV", "PCM_16", "wav"),
    ("WAV", "PCM_24", "wav"),
    ("WAV", "PCM_32", "wav"),
    ("WAV", "FLOAT", "wav"),
    ("WAV", "DOUBLE", "wav"),
    ("WAVEX", "PCM_24", "wav"),
    ("RF64", "PCM_24", "rf64"),
    ("RF64", "FLOAT", "rf64"),
    ("FLAC", "PCM_16", "flac"),
    ("FLAC", "PCM_24", "flac"),
    ("AIFF", "PCM_24", "aif"),
    ("AIFF", "FLOAT", "aif"),
    ("W64", "PCM_24", "w64"),
    ("CAF", "PCM_24", "caf"),
    ("CAF", "DOUBLE", "caf"),
)


def integers(frames: int, channels: int = 1, bits: int = 24, seed: int = 0) -> npt.NDArray[np.int32]:
    """Random samples over the full range of `bits`, left-justified in 32 bits, (frames, channels)."""
    steps = np.random.default_rng(seed).integers(-(2 ** (bits - 1)), 2 ** (bits - 1), (frames, channels))
    return (steps << (32 - bits)).astype(np.int32)


def record(
    path: Path, samples: npt.NDArray[Any], subtype: str = "PCM_24", container: str = "WAV", rate: int = RATE
) -> Path:
    """Write left-justified integers (or floats) with soundfile; floats hold the integers as fractions."""
    if subtype in ("FLOAT", "DOUBLE") and samples.dtype == np.int32:
        samples = samples / 2.0**31
    soundfile.write(path, samples, rate, subtype, format=container)
    return path


def damaged(path: Path, source: Path, *patches: tuple[int, bytes], cut: int | None = None) -> Path:
    """A copy of `source` with bytes replaced, and cut to `cut` bytes."""
    content = bytearray(source.read_bytes())
    for position, bytes_ in patches:
        content[position : position + len(bytes_)] = bytes_
    path.write_bytes(content[:cut])
    return path
