"""Many mics and many tracks: `python -m tests.bench.mics [--minutes 4]`.

Whole `premix render` runs on one performance of 5, 16 and 64 mics and on a song of 200 tracks. Results of the last run:
mics.json beside it.
"""

import argparse
import json
import subprocess
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

from tests.bench.machine import versions
from tests.bench.processes import Cost, run

RESULTS = Path(__file__).with_suffix(".json")
MOST_MB, MOST_RATIO = 300.0, 2.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=4.0, help="of the performances of 5 and 16 mics")
    options = parser.parse_args()
    long = 60.0 * options.minutes
    run([sys.executable, "-m", "compileall", "-q", "premix", "tests/bench"])
    costs = {
        (mics, performances): measure(mics, performances, seconds)
        for mics, performances, seconds in ((5, 1, long), (16, 1, long), (64, 1, 2.0), (5, 40, 4.0), (8, 25, 4.0))
    }
    each = {mics: costs[mics, 1].cpu_s / mics for mics in (5, 16)}
    found = [
        (f"16 mics of {options.minutes:g} minutes against 5, CPU a track", each[16] / each[5], MOST_RATIO),
        ("peak MB, one performance of 64 mics", costs[64, 1].peak_mb, MOST_MB),
        ("peak MB, 200 tracks: 40 performances of 5 mics", costs[5, 40].peak_mb, MOST_MB),
        ("peak MB, 200 tracks: 25 performances of 8 mics", costs[8, 25].peak_mb, MOST_MB),
    ]
    print(f"\n{'figure':66s} {'measured':>8s} {'at most':>8s}")
    for what, value, most in found:
        print(f"{what:66s} {value:8.2f} {most:8.2f}")
    document = {
        "versions": versions(),
        "runs": [{"mics": m, "performances": p, "cost": asdict(cost)} for (m, p), cost in costs.items()],
        "figures": [dict(zip(("figure", "measured", "at_most"), row, strict=True)) for row in found],
    }
    RESULTS.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


def measure(mics: int, performances: int, seconds: float) -> Cost:
    """One render, on a session that is gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="premix-bench-") as temporary:
        folder = Path(temporary)
        make = [sys.executable, "-m", "tests.bench.miked", str(folder), str(mics), str(performances), str(seconds)]
        subprocess.run(make, check=True)
        words = ["render", str(folder / "recipe.yaml"), str(folder / "tracks"), "--out", str(folder / "out")]
        cost = run([sys.executable, "-m", "premix", *words, "--no-report"])
    print(
        f"{mics} mics, {performances} performances, {seconds:g} s: {cost.cpu_s:.2f} s, {cost.peak_mb:.0f} MB",
        flush=True,
    )
    return cost


if __name__ == "__main__":
    main()
