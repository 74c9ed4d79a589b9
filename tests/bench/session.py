"""Tracks for the benches: `python -m tests.bench.session FOLDER SECONDS RATE PERFORMANCES`.

One performance is 24 s of the demo's own synthesis (stop and go; four close mics, one room mic), written again and
again with another gain each time; synthesis is slow and would take longer than everything that is measured.
"""

import sys
from pathlib import Path

import numpy as np
import soundfile

from premix.demo.session import perform_session
from tests.bench.size import Size

LOOP_S = 24.0
LEVEL_DB = -6.0
"""Of every track: low enough that the mix stays under a ceiling of -1 dBTP."""
VARIED_DB = 1.0
"""Repetitions differ by up to this much, all mics of a performance alike."""


def make_session(folder: Path, size: Size) -> None:
    """Write the tracks of a session as 24-bit WAV; performances that are there already are kept."""
    folder.mkdir(parents=True, exist_ok=True)
    for number, name in enumerate(size.names()):
        if (folder / f"{name}_room.wav").exists():
            continue
        ((_, recorded),) = perform_session(min(LOOP_S, size.seconds), size.rate, 1 + number, ["left_a"])
        count = int(size.seconds // LOOP_S) + 1
        gains = 10.0 ** ((LEVEL_DB - np.random.default_rng(number).uniform(0.0, VARIED_DB, count)) / 20.0)
        for mic, loop in recorded:
            with soundfile.SoundFile(folder / f"{name}_{mic.name}.wav", "w", size.rate, 1, "PCM_24") as file:
                for gain, start in zip(gains, range(0, size.frames, len(loop)), strict=False):
                    piece = loop[: size.frames - start] * gain
                    file.write(np.rint(piece * 2.0**23).astype(np.int32) << 8)


if __name__ == "__main__":
    make_session(Path(sys.argv[1]), Size(float(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4])))
