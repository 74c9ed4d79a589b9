"""Long and wide sessions out of a short one: `python -m tests.bench.tiled SOURCE TARGET SECONDS RATE PERFORMANCES`.

Tracks are those of the source's three performances again and again; a further performance begins elsewhere in them.
"""

import sys
from pathlib import Path

import numpy as np
import soundfile

from tests.bench.size import BUSES, Size

SHIFT_S = 7.0


def tile(source: Path, target: Path, size: Size) -> None:
    """Write the tracks of a session into `target`, from the tracks of three performances in `source`."""
    target.mkdir(parents=True, exist_ok=True)
    for number, name in enumerate(size.names()):
        kind = number % len(BUSES)
        for path in sorted(source.glob(f"{BUSES[kind]}_{kind}_*.wav")):
            loop, rate = soundfile.read(path, dtype="int32")
            loop = np.roll(loop, -round(number // len(BUSES) * SHIFT_S * rate))
            mic = path.stem.rpartition("_")[2]
            with soundfile.SoundFile(target / f"{name}_{mic}.wav", "w", rate, 1, "PCM_24") as file:
                for start in range(0, size.frames, len(loop)):
                    file.write(loop[: size.frames - start])


if __name__ == "__main__":
    tile(Path(sys.argv[1]), Path(sys.argv[2]), Size(float(sys.argv[3]), int(sys.argv[4]), int(sys.argv[5])))
