"""Cost and memory against length, tracks and rate: `python -m tests.bench.scale [--minutes 1,4,20,60] ...`.

Runs the whole `premix render` on sessions of 15 tracks that get longer, on sessions of 4 minutes that get wider (five
tracks a performance), and on some rates; then the alignment alone, which does not grow with the song. The sessions are
one minute of the demo's synthesis again and again. Results of the last run: scale.json beside it.
60 minutes of 15 tracks take 8 GB of disk, and as much again for what is rendered of them.
"""

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.bench.machine import versions
from tests.bench.processes import ONE_THREAD, Cost, run
from tests.bench.size import BUSES, TRACKS, Size, prepare, write_sized_recipe

RESULTS = Path(__file__).with_suffix(".json")
RATE, PERFORMANCES, MINUTES = 48000, 3, 4.0
ALIGNED_PERFORMANCES, ALIGNED_MOST_S = 5, 30.0
"""Alignment of five performances of five mics, 4 minutes, on one core."""
SOURCE_S = 60.0


@dataclass(frozen=True, slots=True)
class Row:
    """One render, and the CPU seconds of its alignment stage by stage."""

    minutes: float
    tracks: int
    rate: int
    cost: Cost
    stages: dict[str, float]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=_numbers, default=[1.0, 4.0, 20.0, 60.0])
    parser.add_argument("--performances", type=_numbers, default=[1.0, 3.0, 5.0, 12.0], help="of five tracks each")
    parser.add_argument("--rates", type=_numbers, default=[44100.0, 48000.0, 96000.0])
    parser.add_argument("--width-minutes", type=float, default=MINUTES, help="length where tracks and rates change")
    parser.add_argument("--folder", type=Path, help="make sessions and outputs here (else a temporary folder)")
    options = parser.parse_args()
    seconds = 60.0 * options.width_minutes
    with tempfile.TemporaryDirectory(prefix="premix-bench-", dir=options.folder) as temporary:
        folder = Path(temporary)
        run([sys.executable, "-m", "compileall", "-q", "premix", "tests/bench"])
        series = {
            "length": [_measure(folder, Size(60.0 * m, RATE, PERFORMANCES)) for m in options.minutes],
            "tracks": [_measure(folder, Size(seconds, RATE, round(p))) for p in options.performances],
            "rate": [_measure(folder, Size(seconds, round(r), PERFORMANCES)) for r in options.rates],
        }
    for name, rows in series.items():
        _show(name, rows)
    found = figures(series["length"], series["tracks"])
    print(f"\n{'figure':66s} {'measured':>8s} {'at most':>8s}")
    for what, value, most in found:
        print(f"{what:66s} {value:8.2f} {most:8.2f}")
    document = {
        "versions": versions(),
        "series": {name: [asdict(row) for row in rows] for name, rows in series.items()},
        "figures": [dict(zip(("figure", "measured", "at_most"), row, strict=True)) for row in found],
    }
    RESULTS.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


def _numbers(text: str) -> list[float]:
    return [float(word) for word in text.split(",")]


def _measure(folder: Path, size: Size) -> Row:
    """Make a session, render it, align it once more; only the source of the tracks stays."""
    source, session = folder / f"source_{size.rate}", folder / "session"
    prepare(source, Size(SOURCE_S, size.rate, len(BUSES)), decide=False)
    session.mkdir()
    write_sized_recipe(session / "recipe.yaml", size)
    sizes = [str(size.seconds), str(size.rate), str(size.performances)]
    tile = [sys.executable, "-m", "tests.bench.tiled", str(source / TRACKS), str(session / TRACKS), *sizes]
    subprocess.run(tile, check=True)
    command = [sys.executable, "-m", "premix", "render", str(session / "recipe.yaml"), str(session / TRACKS)]
    cost = run([*command, "--out", str(session / "out"), "--no-report"])
    align = [sys.executable, "-m", "tests.bench.programs.align", str(session)]
    said = subprocess.run(align, check=True, capture_output=True, text=True, env={**os.environ, **ONE_THREAD}).stdout
    shutil.rmtree(session)
    row = Row(size.seconds / 60.0, size.tracks, size.rate, cost, json.loads(said))
    print(f"{row.minutes:g} min, {row.tracks} tracks, {row.rate} Hz: {cost.cpu_s:.2f} s", flush=True)
    return row


def _show(name: str, rows: Sequence[Row]) -> None:
    print(f"\n{name}\n  min  tracks   rate   CPU s  wall s  CPU s/track min  peak MB  inspect s  prepare s  solve s")
    for row in rows:
        each = row.cost.cpu_s / row.minutes / row.tracks
        stages = "  ".join(f"{row.stages[stage]:9.2f}" for stage in ("inspect", "prepare", "solve"))
        print(
            f"{row.minutes:5g} {row.tracks:7d} {row.rate:6d} {row.cost.cpu_s:7.2f} {row.cost.wall_s:7.2f}"
            f" {each:16.4f} {row.cost.peak_mb:8.0f} {stages}"
        )


def figures(lengths: Sequence[Row], widths: Sequence[Row]) -> list[tuple[str, float, float]]:
    """(what, measured, at most). Growth is held against the second length: the first is mostly start-up."""
    found = []
    if len(lengths) > 2:
        first, base, last = lengths[0], lengths[1], lengths[-1]
        growth = last.cost.cpu_s / base.cost.cpu_s / (last.minutes / base.minutes)
        span = f"{last.minutes:g} min / {base.minutes:g} min"
        found = [
            (f"CPU a minute, {span}", growth, 1.1),
            (f"peak memory, {last.minutes:g} min / {first.minutes:g} min", last.cost.peak_mb / first.cost.peak_mb, 1.1),
            (f"peak MB, {last.minutes:g} min", last.cost.peak_mb, 200.0),
            (f"alignment from what was read, {span}, CPU", last.stages["solve"] / base.stages["solve"], 1.2),
        ]
    for row in widths:
        if row.tracks == 5 * ALIGNED_PERFORMANCES:
            whole = row.stages["inspect"] + row.stages["prepare"]
            what = f"{row.tracks} tracks of {row.minutes:g} min inspected and aligned, CPU s"
            found.append((what, whole, ALIGNED_MOST_S))
    return found


if __name__ == "__main__":
    main()
