"""The same work as anybody would script it: whole files as numpy arrays, scipy filters.

Uses nothing of premix. The fractional delay is the same design (a Kaiser-windowed sinc of 96 taps, beta 15), samples
are rounded to the nearest step. `--meters`: loudness (pyloudnorm) and true peak (scipy's polyphase resampler, 4 times)
of every file as well. `--whole`: the work of a whole render, so also hashes of inputs and outputs, a look at every
sample for NaN, clipping, dropouts and DC, each mic's delay and polarity against the first mic of its performance
(scipy.signal.csd), and a gate from the close mics' envelope. What that finds is printed, and the mix is still made
with the given decisions, so that its samples can be held against premix's.
"""

import argparse
import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy.signal import butter, csd, fftconvolve, resample_poly, sosfilt

TAPS, BETA = 96, 15.0
TAIL = 4096
"""Samples of silence after a file, for what filters ring on: an advanced mic brings it into the song."""


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("decisions", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--meters", action="store_true")
    parser.add_argument("--whole", action="store_true")
    options = parser.parse_args()
    mix = json.loads((options.decisions / "mix.json").read_text())
    rate, frames = mix["rate"], mix["frames"]
    if options.whole:
        for p in mix["performances"]:
            _analyse([mic["path"] for mic in (*p["close"], p["room"])], rate)
    parts: dict[str, np.ndarray] = {}
    buses = {name: np.zeros(frames) for name in mix["buses"]}
    for p in mix["performances"]:
        stem = p["gain"] * sum(_mic(mic, rate, frames) for mic in p["close"])
        room = p["gain"] * _mic(p["room"], rate, frames) * _gate(p["room"]["curve"], frames)
        buses[p["bus"]] += stem + room
        parts[f"stem_{p['name']}"], parts[f"room_{p['name']}"] = stem, room
    guitars = np.zeros((frames, 2))
    for name, bus in mix["buses"].items():
        buses[name] *= bus["gain"]
        parts[f"bus_{name}"] = buses[name]
        guitars += buses[name][:, None] * [bus["left"], bus["right"]]
    parts["guitars"] = guitars
    for part, path in mix["names"].items():
        _write(options.out / path, parts[part], rate)
    if options.meters or options.whole:
        for part, samples in parts.items():
            print(part, *_meters(samples, rate))
    if options.whole:
        for path in mix["names"].values():
            print(path, _sha256(soundfile.read(options.out / path, dtype="int32")[0]))


@cache
def _samples(path: str) -> np.ndarray:
    return np.asarray(soundfile.read(path)[0])


def _analyse(paths: list[str], rate: int) -> None:
    """What premix's analysis and decisions look at, of one performance; the room is the last."""
    tracks = [_samples(path) for path in paths]
    for path, x in zip(paths, tracks, strict=True):
        sha256 = _sha256((x * 2.0**31).astype(np.int32))
        clipped = _runs(np.abs(x) >= 1.0 - 2.0**-23, 3)
        dropouts = _runs(x == 0.0, rate // 1000)
        rms = np.sqrt(np.mean(x**2))
        print(path, sha256, np.isfinite(x).all(), np.abs(x).max(), rms, x.mean(), len(clipped), len(dropouts))
        print(path, *_delay(tracks[0], x, rate))
    print(len(_gate_openings(tracks[:-1], rate)), "gate openings")


def _sha256(steps: np.ndarray) -> str:
    """Of 24-bit samples, left-justified in int32."""
    return hashlib.sha256(steps.reshape(-1, 1).view(np.uint8)[:, 1:].tobytes()).hexdigest()


def _runs(flags: np.ndarray, shortest: int) -> np.ndarray:
    edges = np.flatnonzero(np.diff(flags.astype(np.int8), prepend=0, append=0))
    return edges[::2][edges[1::2] - edges[::2] >= shortest]


def _delay(reference: np.ndarray, x: np.ndarray, rate: int) -> tuple[float, int]:
    """Delay in samples, to 1/16, and polarity: the largest peak of the cross-correlation up to 5 kHz."""
    freqs, cross = csd(reference, x, rate, nperseg=16384)
    cross[(freqs < 80.0) | (freqs > 5000.0)] = 0.0
    correlation = np.fft.irfft(cross, 16 * 16384)
    best = int(np.argmax(np.abs(correlation)))
    lag = best if best < len(correlation) // 2 else best - len(correlation)
    return lag / 16, 1 if correlation[best] > 0.0 else -1


def _gate_openings(close: list[np.ndarray], rate: int) -> np.ndarray:
    """Where the close mics' envelope, 1 ms at a time, passes -40 dB under its loudest."""
    hop = rate // 1000
    band = butter(2, [80.0, 5000.0], "bandpass", fs=rate, output="sos")
    envelope = sum(np.sqrt((sosfilt(band, x)[: len(x) // hop * hop].reshape(-1, hop) ** 2).mean(axis=1)) for x in close)
    return _runs(envelope > 0.01 * envelope.max(), 5)


def _mic(mic: dict[str, Any], rate: int, frames: int) -> np.ndarray:
    x = np.concatenate((_samples(mic["path"]), np.zeros(TAIL)))
    if mic["low_pass_hz"] is not None:
        x = sosfilt(butter(2, mic["low_pass_hz"], fs=rate, output="sos"), x)
    whole = round(mic["delay_samples"])
    rest = mic["delay_samples"] - whole
    if abs(rest) > 1e-9:
        position = np.arange(TAPS) - (TAPS // 2 - 1) + rest
        window = np.i0(BETA * np.sqrt(np.maximum(0.0, 1.0 - (position / (TAPS / 2)) ** 2))) / np.i0(BETA)
        taps = np.sinc(position) * window
        x = fftconvolve(x, taps / taps.sum())
        whole += TAPS // 2 - 1
    moved = np.zeros(frames)
    if whole >= 0:
        x = x[whole : whole + frames]
        moved[: len(x)] = x
    else:
        x = x[: frames + whole]
        moved[-whole : -whole + len(x)] = x
    return np.asarray(mic["gain"] * moved)


def _gate(curve: list[list[float]], frames: int) -> np.ndarray:
    positions, gains_db = curve
    return np.asarray(10.0 ** (np.interp(np.arange(frames), positions, gains_db) / 20.0))


def _write(path: Path, samples: np.ndarray, rate: int) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    steps = np.clip(np.rint(samples * 2.0**23), -(2.0**23), 2.0**23 - 1.0)
    soundfile.write(path, steps.astype(np.int32) << 8, rate, "PCM_24")


def _meters(samples: np.ndarray, rate: int) -> tuple[float, float]:
    import pyloudnorm

    return pyloudnorm.Meter(rate).integrated_loudness(samples), float(np.abs(resample_poly(samples, 4, 1)).max())


if __name__ == "__main__":
    main()
