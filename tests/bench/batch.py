"""What a batch costs beside its songs: `python -m tests.bench.batch [--full] [--songs N] [--seconds S]`.

Renders the same songs one after another with `premix render`, then as a batch with one worker, with two, on a
dask cluster of two local workers, and once more unchanged. Prints wall times, overhead a song, peak memory of a
process, and whether all outputs are the same. Results of the last run: batch.json beside it. --full: 8 songs of
2 minutes with 15 tracks, as the figures to reach are meant for.
"""

import argparse
import hashlib
import json
import shutil
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median

from tests.bench.machine import versions
from tests.bench.processes import Cost, run
from tests.bench.size import TRACKS, Size, prepare

RESULTS = Path(__file__).with_suffix(".json")
WORKERS = 2


def premix(*args: str | Path) -> Cost:
    """One command of premix in a process of its own; its cost is that of its workers too."""
    return run([sys.executable, "-m", "premix", *map(str, args)])


def hashing_s(songs: Sequence[Path]) -> float:
    """Time to read and hash every byte of the tracks once: what an unchanged song cannot do without."""
    begin = time.perf_counter()
    for song in songs:
        for path in sorted(song.glob("*.wav")):
            with path.open("rb") as file:
                hashlib.file_digest(file, "sha256")
    return time.perf_counter() - begin


def sample_hashes(out: Path, songs: Sequence[Path]) -> dict[str, str]:
    """Song and part -> hash of the samples, of all that a run rendered."""
    found = {}
    for song in songs:
        manifest = json.loads((out / song.name / "manifest.json").read_text("utf-8"))
        found.update({f"{song.name}/{file['part']}": file["sha256"] for file in manifest["files"]})
    return found


def copied(session: Path, album: Path, count: int) -> list[Path]:
    """Songs with files of their own, so that no song profits from another's place in the disk cache."""
    songs = [album / f"song_{number}" for number in range(count)]
    for song in songs:
        shutil.copytree(session, song)
    return songs


def measure(folder: Path, count: int, size: Size, extra: Sequence[str]) -> dict[str, object]:
    prepare(folder, size, decide=False)
    recipe, album = folder / "recipe.yaml", folder / "album"
    songs = copied(folder / TRACKS, album, count)
    single = [premix("render", recipe, song, "--out", folder / "single" / song.name, *extra) for song in songs]
    runs: dict[str, Cost] = {}
    for name, options in {
        "one worker": ("--jobs", "1"),
        "two workers": ("--jobs", str(WORKERS)),
        "dask, two workers": ("--jobs", str(WORKERS), "--scheduler", "local"),
    }.items():
        runs[name] = premix("batch", recipe, album, "--out", folder / name, *options, *extra)
    runs["unchanged"] = premix("batch", recipe, album, "--out", folder / "one worker", "--jobs", "1", *extra)
    expected = sample_hashes(folder / "single", songs)
    same = all(sample_hashes(folder / name, songs) == expected for name in runs if name != "unchanged")
    return tell(count, single, runs, hashing_s(songs), same)


def tell(count: int, single: Sequence[Cost], runs: dict[str, Cost], hash_s: float, same: bool) -> dict[str, object]:
    """Print the figures and give them as plain data."""
    wall = sum(r.wall_s for r in single)
    peak = max(r.peak_mb for r in single)
    print(f"  {'run':<20}  wall s  CPU s  peak MB of a process")
    print(f"  {'one after another':<20}  {wall:6.2f} {sum(r.cpu_s for r in single):6.2f} {peak:8.0f}")
    for name, r in runs.items():
        print(f"  {name:<20}  {r.wall_s:6.2f} {r.cpu_s:6.2f} {r.peak_mb:8.0f}")
    figures = {
        "two workers / one after another (at most 0.6)": runs["two workers"].wall_s / wall,
        "overhead a song, s (at most 0.3)": (runs["one worker"].wall_s - wall) / count,
        "unchanged song beyond hashing, s (at most 0.3)": (runs["unchanged"].wall_s - hash_s) / count,
        "hashing a song, s": hash_s / count,
        "dask / two workers (at most 1.2)": runs["dask, two workers"].wall_s / runs["two workers"].wall_s,
        "peak of a worker / of a single render": runs["two workers"].peak_mb / peak,
        "one render, s (median)": median(r.wall_s for r in single),
        "one render, CPU s (median)": median(r.cpu_s for r in single),
    }
    for name, value in figures.items():
        print(f"  {name:<48} {value:7.3f}")
    print(f"  outputs {'identical' if same else 'DIFFER'} in all runs")
    return {"figures": figures, "identical": same, "peak_mb": {name: r.peak_mb for name, r in runs.items()}}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--full", action="store_true", help="8 songs of 120 s with 15 tracks")
    parser.add_argument("--songs", type=int, default=4)
    parser.add_argument("--seconds", type=float, default=12.0)
    parser.add_argument("--performances", type=int, default=2, help="of five tracks each")
    parser.add_argument("--report", action="store_true", help="with the HTML pages")
    parser.add_argument("--keep", action="store_true", help="keep these results in batch.json")
    options = parser.parse_args()
    if options.full:
        options.songs, options.seconds, options.performances = 8, 120.0, 3
    size = Size(options.seconds, 48000, options.performances)
    print(f"{options.songs} songs of {size.seconds:g} s, {size.tracks} tracks of 24 bits at {size.rate} Hz")
    with tempfile.TemporaryDirectory(prefix="premix-bench-") as folder:
        results = measure(Path(folder), options.songs, size, () if options.report else ("--no-report",))
    if options.keep or options.full:
        asked = {"songs": options.songs, "seconds": size.seconds, "tracks": size.tracks, "report": options.report}
        RESULTS.write_text(json.dumps({"versions": versions(), **asked, **results}, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
