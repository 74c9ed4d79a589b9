"""The same mix as anybody would script it: whole files as numpy arrays, scipy filters. Decisions are given.

Uses nothing of premix. The fractional delay is the same design (a Kaiser-windowed sinc of 96 taps, beta 15), the
gate's curve is the given one, samples are rounded to the nearest step. `--meters`: loudness (pyloudnorm) and true
peak (scipy's polyphase resampler, 4 times) of every file as well.
"""

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from scipy.signal import butter, fftconvolve, resample_poly, sosfilt

TAPS, BETA = 96, 15.0
TAIL = 4096
"""Samples of silence after a file, for what filters ring on: an advanced mic brings it into the song."""


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("decisions", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--meters", action="store_true")
    options = parser.parse_args()
    mix = json.loads((options.decisions / "mix.json").read_text())
    rate, frames = mix["rate"], mix["frames"]
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
    if options.meters:
        for part, samples in parts.items():
            print(part, *_meters(samples, rate))


def _mic(mic: dict[str, Any], rate: int, frames: int) -> np.ndarray:
    x, _ = soundfile.read(mic["path"])
    x = np.concatenate((x, np.zeros(TAIL)))
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
    return mic["gain"] * moved


def _gate(curve: list[list[float]], frames: int) -> np.ndarray:
    return 10.0 ** (np.interp(np.arange(frames), *curve) / 20.0)


def _write(path: Path, samples: np.ndarray, rate: int) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    steps = np.clip(np.rint(samples * 2.0**23), -(2.0**23), 2.0**23 - 1.0)
    soundfile.write(path, steps.astype(np.int32) << 8, rate, "PCM_24")


def _meters(samples: np.ndarray, rate: int) -> tuple[float, float]:
    import pyloudnorm

    return pyloudnorm.Meter(rate).integrated_loudness(samples), float(np.abs(resample_poly(samples, 4, 1)).max())


if __name__ == "__main__":
    main()
