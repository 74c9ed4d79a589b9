"""The I/O floor: decode all inputs and encode as many outputs with soundfile, in blocks, nothing in between."""

import json
import sys
from pathlib import Path

import soundfile

BLOCK = 65536


def main(decisions: Path, out: Path) -> None:
    mix = json.loads((decisions / "mix.json").read_text())
    out.mkdir(parents=True, exist_ok=True)
    inputs = [soundfile.SoundFile(mic["path"]) for p in mix["performances"] for mic in (*p["close"], p["room"])]
    outputs = []
    for part, name in mix["names"].items():
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        channels = 2 if part == "guitars" else 1
        outputs.append((channels, soundfile.SoundFile(out / name, "w", mix["rate"], channels, "PCM_24")))
    for start in range(0, mix["frames"], BLOCK):
        count = min(BLOCK, mix["frames"] - start)
        blocks = [file.read(count, dtype="float32") for file in inputs]
        for channels, file in outputs:
            file.write(blocks[0] if channels == 1 else blocks[0].repeat(2).reshape(-1, 2))
    for file in (*inputs, *(file for _, file in outputs)):
        file.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
