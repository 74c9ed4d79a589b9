"""What a sound file holds, read by soundfile: a hash of its samples, and levels for machines that round otherwise."""

import hashlib
import math
import platform
import struct
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

LIBRARIES = ("numpy", "scipy", "soxr", "soundfile", "pedalboard")
NEAR_DB = 0.01
NEAR_SAMPLE = 1e-4
"""Of full scale: a few steps of 16 bits."""
PLACES = 8
SILENT_DB = -100.0
"""Levels below this count as the same: there a step of the file is worth more than `NEAR_DB`."""


def machine() -> dict[str, Any]:
    """What the last bit of a sample depends on."""
    return {
        "system": f"{platform.system()} {platform.machine()}",
        "instructions": np.show_config(mode="dicts")["SIMD Extensions"]["found"],
        "libraries": {name: version(name) for name in LIBRARIES},
        "click": version("click"),
    }


def described(path: Path) -> dict[str, Any]:
    """Form, hash of the samples as int32 or float32, start time; rms in dB of every half second and a few samples
    with their signs, by channel."""
    info = soundfile.info(path)
    kind = "float32" if info.subtype in ("FLOAT", "DOUBLE") else "int32"
    samples, rate = soundfile.read(path, dtype=kind, always_2d=True)
    fractions = samples / (1.0 if kind == "float32" else 2.0**31)
    return {
        "form": [info.format, info.subtype, info.samplerate, info.channels, info.frames],
        "sha256": hashlib.sha256(samples.astype(samples.dtype.newbyteorder("<")).tobytes()).hexdigest(),
        "start": _start(path),
        "rms_db": _levels(fractions, rate // 2),
        "at": [[round(float(v), 6) for v in channel] for channel in fractions[_places(fractions)].T],
    }


def sounds(folder: Path) -> dict[str, dict[str, Any]]:
    """Every sound file below a folder, by its path there."""
    files = [path for path in folder.rglob("*") if path.suffix in (".wav", ".flac")]
    return {path.relative_to(folder).as_posix(): described(path) for path in sorted(files)}


def differences(
    expected: Mapping[str, Mapping[str, Any]], found: Mapping[str, Mapping[str, Any]], *, to_the_bit: bool
) -> list[str]:
    """What differs between two sets of files, a line a file; hashes count only on the machine they were made on."""
    told = [f"{name}: only there before" for name in expected if name not in found]
    told += [f"{name}: new" for name in found if name not in expected]
    for name in expected.keys() & found.keys():
        old, new = expected[name], found[name]
        told += [f"{name}: {what} {old[what]}, now {new[what]}" for what in ("form", "start") if old[what] != new[what]]
        apart = _apart_db(old["rms_db"], new["rms_db"])
        if apart > NEAR_DB:
            told.append(f"{name}: {apart:.3f} dB apart")
        elif not _alike(old["at"], new["at"]):
            told.append(f"{name}: samples more than {NEAR_SAMPLE:g} apart: {old['at']}, now {new['at']}")
        elif to_the_bit and old["sha256"] != new["sha256"]:
            told.append(f"{name}: other samples, but near the ones before")
    return sorted(told)


def _places(samples: Any) -> Any:
    """The same few places in every file of one length."""
    return (np.arange(1, PLACES + 1) * len(samples)) // (PLACES + 1)


def _alike(old: list[list[float]], new: list[list[float]]) -> bool:
    return np.shape(old) == np.shape(new) and bool(np.all(np.abs(np.subtract(old, new)) <= NEAR_SAMPLE))


def _levels(samples: Any, block: int) -> list[list[float]]:
    return [
        [_db(float(np.mean(channel[at : at + block] ** 2))) for at in range(0, len(channel), block)]
        for channel in samples.T.astype(np.float64)
    ]


def _db(power: float) -> float:
    return round(10.0 * math.log10(power), 4) if power > 0.0 else -400.0


def _apart_db(old: list[list[float]], new: list[list[float]]) -> float:
    if [len(channel) for channel in old] != [len(channel) for channel in new]:
        return math.inf
    return max(
        (
            abs(max(a, SILENT_DB) - max(b, SILENT_DB))
            for x, y in zip(old, new, strict=True)
            for a, b in zip(x, y, strict=True)
        ),
        default=0.0,
    )


def _start(path: Path) -> int | None:
    """The start time of a bext chunk in samples since midnight; None without the chunk."""
    raw = path.read_bytes()
    if raw[:4] not in (b"RIFF", b"RF64"):
        return None
    at = 12
    while at + 8 <= len(raw):
        name, size = struct.unpack("<4sI", raw[at : at + 8])
        if name == b"bext":
            return int(struct.unpack("<Q", raw[at + 8 + 338 : at + 8 + 346])[0])
        at += 8 + size + size % 2
    return None
