"""premix's render stage alone: mixdown and delivery, with decisions taken before. `--meters`, `--threads N`."""

import argparse
import os
import pickle
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import nullcontext
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command `premix` does

from premix.delivery.part_files import PartFiles
from premix.measures.meters import RenderMeters
from premix.mixdown.levelled import render_levelled
from premix.mixdown.render import render
from premix.model.mix import MixPlan, Part, PartMeasures
from premix.model.song import Song

Parts = tuple[Part, ...]
Names = dict[str, str]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("decisions", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--meters", action="store_true")
    parser.add_argument("--threads", type=int, default=1)
    options = parser.parse_args()
    records = pickle.loads((options.decisions / "stage.pickle").read_bytes())
    with ThreadPoolExecutor(options.threads) if options.threads > 1 else nullcontext() as pool:
        (_measured if options.meters else _plain)(options.out, pool, *records)


def _measured(out: Path, pool: Executor | None, plan: MixPlan, parts: Parts, names: Names, song: Song) -> None:
    def open_files(meters: RenderMeters | None) -> PartFiles:
        return PartFiles(out, names, parts, song, meters=meters, pool=pool)

    render_levelled(plan, parts, song.deliver, open_files, rate=song.file_rate, pool=pool)


def _plain(out: Path, pool: Executor | None, plan: MixPlan, parts: Parts, names: Names, song: Song) -> None:
    files = PartFiles(out, names, parts, song, meters=None, pool=pool)
    render(plan, [part.part for part in parts], files, pool=pool)
    files.close(lambda part: PartMeasures(part, None, None, None, None, None, 0.0))


if __name__ == "__main__":
    main()
