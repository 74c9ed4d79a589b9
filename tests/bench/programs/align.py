"""The way to the decisions, stage by stage: prints CPU seconds as JSON. `FOLDER` holds recipe.yaml and tracks/.

inspect: a first look at every track. prepare: reading for the alignment, and the decisions. solve: the decisions alone,
taken a second time from what was read.
"""

import json
import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command `premix` does

from premix import pipeline
from premix.alignment.decide import align
from tests.bench.size import TRACKS


def main(folder: Path) -> None:
    recipe, tracks = folder / "recipe.yaml", folder / TRACKS
    marks = [time.process_time()]
    pipeline.inspect(recipe, tracks)
    marks.append(time.process_time())
    with pipeline.prepare(recipe, tracks) as prepared:
        marks.append(time.process_time())
        align(prepared.song)
        marks.append(time.process_time())
    names = ("inspect", "prepare", "solve")
    print(json.dumps({n: b - a for n, a, b in zip(names, marks, marks[1:], strict=False)}))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
