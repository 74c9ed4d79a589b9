"""An album of 200 short songs: `python -m tests.bench.album [--songs N] [--seconds S]`.

Rendered with all pages, on the pool and on a dask cluster of two local workers, and a tenth of them before, so that
memory which grows with the songs shows. Prints how many songs are done, what the album tells of its set-up (a mic is
moved in the middle), the cost a song as README's formula has it, the largest process, how long workers have nothing to
do, and what the album's page costs to make and takes to open. Results of the last run: album.json beside it.
"""

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median
from typing import Any

from tests.bench.machine import versions
from tests.bench.many_songs import NUDGED, NUDGED_MM, name_of
from tests.bench.opening import opening_s
from tests.bench.processes import Cost, run

RESULTS = Path(__file__).with_suffix(".json")
WORKERS = 2
ALONE = 3
"""So many songs are also rendered by themselves."""


def premix(*args: str | Path) -> Cost:
    """One command of premix in a process of its own; its cost is that of its workers too."""
    return run([sys.executable, "-m", "premix", *map(str, args)])


def measure(folder: Path, songs: int, seconds: float) -> dict[str, Any]:
    made = [sys.executable, "-m", "tests.bench.many_songs", str(folder), str(songs), str(seconds)]
    subprocess.run(made, check=True)
    recipe, album = folder / "recipe.yaml", folder / "album"
    few = sorted(album.iterdir())[:: max(1, songs // 20)][:20]
    alone = [premix("render", recipe, song, "--out", folder / "alone" / song.name) for song in few[:ALONE]]
    runs = {"few": ran(recipe, few, folder / "few")}
    for name, options in (("pool", ()), ("dask", ("--scheduler", "local"))):
        runs[name] = ran(recipe, [album], folder / name, *options)
    identical = len({json.dumps(hashes(folder / name, songs)) for name in ("pool", "dask")}) == 1
    rendered = folder / "pool"
    return {
        "alone_cpu_s": round(median(cost.cpu_s for cost in alone), 3),
        "few_songs": len(few),
        "runs": runs,
        "identical": identical,
        "moved_mb_a_song": moved_mb(album / name_of(1), rendered / name_of(1)),
        "page": page_of(rendered),
    }


def ran(recipe: Path, songs: Sequence[Path], out: Path, *options: str) -> dict[str, Any]:
    """A batch over them: what came of it, and its cost."""
    cost = premix("batch", recipe, *songs, "--out", out, "--jobs", str(WORKERS), *options)
    summary = json.loads((out / "summary.json").read_text("utf-8"))
    rows = summary["songs"]
    return {
        "songs": len(rows),
        "done": sum(row["verdict"] == "done" for row in rows),
        "changes": [[c["song"], c["mics"], c["size"]] for drift in summary["setups"] for c in drift["changes"]],
        "cpu_s_a_song": round(cost.cpu_s / len(rows), 3),
        "wall_s": round(cost.wall_s, 1),
        "at_work": round(sum(row["seconds"] for row in rows) / (WORKERS * cost.wall_s), 3),
        "peak_mb": round(cost.peak_mb),
    }


def hashes(out: Path, songs: int) -> list[list[str]]:
    """Of the samples of every file, song by song."""
    manifests = (json.loads((out / name_of(n) / "manifest.json").read_text("utf-8")) for n in range(1, songs + 1))
    return [[file["sha256"] for file in manifest["files"]] for manifest in manifests]


def moved_mb(tracks: Path, out: Path) -> float:
    """What a song moves over the storage: its tracks twice, its files once."""
    size = {place: sum(path.stat().st_size for path in place.rglob("*") if path.is_file()) for place in (tracks, out)}
    return round((2 * size[tracks] + size[out]) / 1e6, 1)


def page_of(out: Path) -> dict[str, Any]:
    """What the album's page and summary cost once its songs are there, in a process of its own; and its opening."""
    made = run([sys.executable, "-m", "tests.bench.album", "--page-of", str(out)])
    again = json.loads((out / "page_cost.json").read_text("utf-8"))
    text = (out / "index.html").read_text("utf-8")
    return {
        **again,
        "peak_mb": round(made.peak_mb),
        "mb": round(len(text.encode()) / 1e6, 2),
        "players": text.count('class="choose"'),
        **opening_s(out / "index.html"),
    }


def write_page(out: Path) -> None:
    """The album's summary from the songs that lie in OUT, as a batch writes it at its end; its cost into a file."""
    from premix.batch.album import differences, drifts_of
    from premix.batch.order import Batch
    from premix.batch.summary import write_summary
    from premix.batch.work import SongResult
    from premix.delivery.documents import read_manifest

    folders = sorted(path.parent for path in out.glob("*/manifest.json"))
    results = tuple(SongResult(folder.name, "rendered", read_manifest(folder)) for folder in folders)
    wall, cpu = time.perf_counter(), time.process_time()
    songs = [(result.name, result.manifest) for result in results if result.manifest is not None]
    drifts = drifts_of(songs)
    write_summary(Batch(results, None, differences(songs, drifts), (), False, drifts), out, report=True)
    spent = {"cpu_s": round(time.process_time() - cpu, 2), "wall_s": round(time.perf_counter() - wall, 2)}
    (out / "page_cost.json").write_text(json.dumps(spent), "utf-8")


def tell(results: dict[str, Any]) -> None:
    print(f"  {'run':<6} songs  done  CPU s a song  wall s  at work  peak MB")
    for name, r in results["runs"].items():
        print(
            f"  {name:<6} {r['songs']:5d} {r['done']:5d} {r['cpu_s_a_song']:13.2f} {r['wall_s']:7.1f}"
            f" {r['at_work']:8.2f} {r['peak_mb']:8d}"
        )
        print(f"         changes: {r['changes']} (made: {NUDGED}, {NUDGED_MM} mm)")
    print(f"  one render by itself: {results['alone_cpu_s']:.2f} s of CPU")
    print(f"  a song moves {results['moved_mb_a_song']:.1f} MB")
    print(f"  samples on the pool and on dask {'identical' if results['identical'] else 'DIFFER'}")
    print(f"  the page of the album: {results['page']}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--songs", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=6.0)
    parser.add_argument("--page-of", type=Path, help="only write the summary of what lies in this folder")
    options = parser.parse_args()
    if options.page_of is not None:
        write_page(options.page_of)
        return
    top = Path(tempfile.mkdtemp(prefix="premix-bench-"))
    try:
        results = measure(top, options.songs, options.seconds)
    finally:
        shutil.rmtree(top, ignore_errors=True)
    tell(results)
    asked = {"songs": options.songs, "seconds": options.seconds, "tracks": 10}
    RESULTS.write_text(json.dumps({"versions": versions(), **asked, **results}, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
