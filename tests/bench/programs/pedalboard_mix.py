"""The mix with pedalboard: blocks of 32-bit floats, a `Delay` a track, an unkeyed `NoiseGate` a room.

Less work than premix: delays are whole samples, the gate hears the room itself, no hysteresis, hold or lookahead.
"""

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from pedalboard import Delay, Gain, LowpassFilter, NoiseGate, Pedalboard
from pedalboard.io import AudioFile

BLOCK = 65536


def main(decisions: Path, out: Path) -> None:
    mix = json.loads((decisions / "mix.json").read_text())
    rate = float(mix["rate"])
    latest = max(mic["delay_samples"] for p in mix["performances"] for mic in (*p["close"], p["room"]))
    tracks = [
        [(_open(mic), _board(mic, latest, rate), mic["gain"] * p["gain"]) for mic in (*p["close"], p["room"])]
        for p in mix["performances"]
    ]
    files = {}
    for part, name in mix["names"].items():
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        files[part] = AudioFile(str(out / name), "w", rate, 2 if part == "guitars" else 1, bit_depth=24)
    for start in range(0, mix["frames"], BLOCK):
        count = min(BLOCK, mix["frames"] - start)
        buses = {name: np.zeros((1, count), np.float32) for name in mix["buses"]}
        for p, own in zip(mix["performances"], tracks, strict=True):
            made = [gain * board(file.read(count), rate, reset=False) for file, board, gain in own]
            stem, room = sum(made[:-1]), made[-1]
            files[f"stem_{p['name']}"].write(stem)
            files[f"room_{p['name']}"].write(room)
            buses[p["bus"]] += stem + room
        guitars = np.zeros((2, count), np.float32)
        for name, bus in mix["buses"].items():
            buses[name] *= bus["gain"]
            files[f"bus_{name}"].write(buses[name])
            guitars += np.array([[bus["left"]], [bus["right"]]], np.float32) * buses[name]
        files["guitars"].write(guitars)
    for file in files.values():
        file.close()


def _open(mic: dict[str, Any]) -> Any:
    return AudioFile(mic["path"])


def _board(mic: dict[str, Any], latest: float, rate: float) -> Pedalboard:
    late = round(latest - mic["delay_samples"])
    board = Pedalboard([Delay(delay_seconds=late / rate, feedback=0.0, mix=1.0), Gain(0.0)])
    if mic["low_pass_hz"] is not None:
        board.append(LowpassFilter(mic["low_pass_hz"]))
    if mic["curve"] is not None:
        board.append(NoiseGate(threshold_db=-50.0, ratio=10.0, attack_ms=2.0, release_ms=60.0))
    return board


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
