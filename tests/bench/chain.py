"""What chains cost: `python -m tests.bench.chain [--seconds 240] [--performances 3] [--runs 5]`.

A high-pass on every mic, a bell on every bus and a compressor on the guitar bus, against the same render stage without
them: whole processes in turn, ratios of CPU time run by run. Results of the last run: chain.json beside it.
"""

import json
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from tests.bench.machine import versions
from tests.bench.processes import interleaved, medians, ratio
from tests.bench.size import TRACKS, Size, prepare, size_options

RESULTS = Path(__file__).with_suffix(".json")
PLAIN, CHAINS, METERS = "render stage", "with chains", ", meters"
AT_MOST = 2.5
AT_MOST_MB = 200.0
RECIPE = """\
groups: {all: {mics: [dynamic, condenser, ribbon, sub, room], chain: [{high_pass: {cutoff_hz: 80}}]}}
buses:
  left: {chain: [{bell: {frequency_hz: 2500, gain_db: -3}}]}
  right: {chain: [{bell: {frequency_hz: 2500, gain_db: -3}}]}
  centre: {chain: [{bell: {frequency_hz: 400, gain_db: -2}}]}
guitar_bus: {chain: [{compressor: {threshold_db: -18, ratio: 2, attack_ms: 30}}]}
"""


def main() -> None:
    parser = size_options(__doc__)
    parser.add_argument("--keep", action="store_true", help="keep these results in chain.json")
    options = parser.parse_args()
    size = Size(options.seconds, options.rate, options.performances)
    print(f"{size.tracks} tracks, {size.seconds:g} s at {size.rate} Hz, {options.runs} runs of each in turn")
    with tempfile.TemporaryDirectory(prefix="premix-bench-") as folder:
        costs = interleaved(commands(Path(folder), size), options.runs)
    print(f"\n{'program':28s} {'CPU s':>8s} {'wall s':>8s} {'peak MB':>8s}")
    for name, own in costs.items():
        print(f"{name:28s} {medians(own).cpu_s:8.2f} {medians(own).wall_s:8.2f} {medians(own).peak_mb:8.0f}")
    figures = [
        ("with chains / render stage, CPU", ratio(costs[CHAINS], costs[PLAIN]), AT_MOST),
        ("the same with meters, CPU", ratio(costs[CHAINS + METERS], costs[PLAIN + METERS]), AT_MOST),
        ("with chains and meters, peak MB", medians(costs[CHAINS + METERS]).peak_mb, AT_MOST_MB),
    ]
    print(f"\n{'figure':48s} {'measured':>8s} {'at most':>8s}")
    for what, value, most in figures:
        print(f"{what:48s} {value:8.2f} {most:8.2f}")
    if options.keep:
        document = {
            "versions": versions(),
            "size": asdict(size),
            "runs": options.runs,
            "programs": {name: asdict(medians(own)) for name, own in costs.items()},
            "figures": [dict(zip(("figure", "measured", "at_most"), row, strict=True)) for row in figures],
        }
        RESULTS.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


def commands(folder: Path, size: Size) -> dict[str, Sequence[str]]:
    """Make the session and its decisions without and with chains; gives every program's command by its name."""
    plain, chains = folder / "plain", folder / "chains"
    prepare(plain, size)
    chains.mkdir()
    (chains / TRACKS).symlink_to(plain / TRACKS)
    (chains / "recipe.yaml").write_text((plain / "recipe.yaml").read_text("utf-8") + RECIPE, "utf-8")
    subprocess.run([sys.executable, "-m", "tests.bench.decisions", str(chains)], check=True)

    def stage(decisions: Path, *more: str) -> list[str]:
        out = str(decisions / "stage")
        program = [sys.executable, "-m", "tests.bench.programs.stage", str(decisions), out, *more]
        return ["sh", "-c", 'rm -rf "$0"; exec "$@"', out, *program]

    return {
        PLAIN: stage(plain),
        CHAINS: stage(chains),
        PLAIN + METERS: stage(plain, "--meters"),
        CHAINS + METERS: stage(chains, "--meters"),
    }


if __name__ == "__main__":
    main()
