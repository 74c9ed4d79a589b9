"""Sessions of many mics: `python -m tests.bench.miked FOLDER MICS PERFORMANCES SECONDS`.

The mics are delayed, turned over and coloured copies of one riff a performance, with noise of their own.
"""

import sys
from pathlib import Path

import numpy as np
from scipy.signal import lfilter

from tests.rigs.sessions import riff, write_track

RATE = 48000


def write_session(folder: Path, mics: int, performances: int, seconds: float) -> None:
    """`recipe.yaml` and `tracks`: each performance plays a riff of its own, each mic has a place of its own."""
    names, frames = [f"m{m}" for m in range(mics)], round(seconds * RATE)
    takes = [f"p{p}" for p in range(performances)]
    lines = [*(f"  {name}: {{}}" for name in names), "performances:", *(f"  {take}: {{bus: left}}" for take in takes)]
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "recipe.yaml").write_text("\n".join(["format: 1", "song: many", "mics:", *lines, ""]), encoding="utf-8")
    for p, take in enumerate(takes):
        played = riff(1 + p, min(frames, 15 * RATE), RATE)
        for m, name in enumerate(names):
            place, noise = np.random.default_rng([m]), np.random.default_rng([p, m])
            heard = lfilter([1.0, place.uniform(-0.3, 0.3)], [1.0], np.roll(played, place.integers(0, 60)))
            heard = np.resize(heard * place.choice([-1, 1]) * place.uniform(0.3, 0.7), frames)
            heard = 0.5 * heard / np.abs(heard).max() + 3e-4 * noise.standard_normal(frames)
            write_track(folder / "tracks" / f"{take}_{name}.wav", heard, RATE)


if __name__ == "__main__":
    write_session(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4]))
