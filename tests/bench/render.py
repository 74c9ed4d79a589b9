"""What a render costs: `python -m tests.bench.render [--seconds 240] [--rate 48000] [--performances 3] [--runs 5]`.

Makes a session of its own (five tracks a performance), then runs whole processes in turn: the I/O floor (soundfile
decodes all inputs and encodes all outputs, nothing else), premix, and other programs with the same decisions.
Prints medians and the ratios to the floor, and holds premix's samples against those of the naive script.
Results of the last run: render.json beside it. Ratios are of CPU time, run by run; seconds are this machine's.
"""

import json
import shutil
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from statistics import median

from tests.bench.machine import versions
from tests.bench.peers import LESS, ffmpeg_command, sox_script
from tests.bench.processes import Cost, interleaved, medians, ratio
from tests.bench.size import TRACKS, Size, prepare, size_options, write_sized_recipe

RESULTS = Path(__file__).with_suffix(".json")
FLOOR, STAGE, METERS, WHOLE = "I/O floor", "render stage", "render stage, meters", "premix render"
NAIVE, NAIVE_METERS = "naive script, no meters", "naive script, meters"
NAIVE_WHOLE = "naive script, whole job"
CHANGED = "changed gain, in the same OUT"
TWO = ", 2 threads"
CEILING_THAT_TRIMS_DBTP = -20.0


def main() -> None:
    parser = size_options(__doc__)
    parser.add_argument("--only", default="", help="only programs whose name holds one of these, comma-separated")
    parser.add_argument("--folder", type=Path, help="keep session and outputs here (else a temporary folder)")
    options = parser.parse_args()
    size = Size(options.seconds, options.rate, options.performances)
    with tempfile.TemporaryDirectory(prefix="premix-bench-") as temporary:
        folder = (options.folder or Path(temporary)).resolve()
        programs = commands(folder, size)
        words = options.only.split(",")
        kept = {n: c for n, c in programs.items() if n == FLOOR or any(word in n for word in words)}
        print(f"{size.tracks} tracks, {size.seconds:g} s at {size.rate} Hz, {options.runs} runs of each in turn")
        costs = interleaved(kept, options.runs)
        show(costs)
        whole = len(kept) == len(programs)
        steps = largest_step(folder) if whole else None
        if whole:
            print(f"\nlargest difference to the naive script: {steps} step(s) of 24 bits, every sample of every file")
            document = {
                "versions": versions(),
                "size": asdict(size),
                "runs": options.runs,
                "largest_step": steps,
                "programs": {
                    name: {**asdict(medians(c)), "cpu_to_floor": ratio(c, costs[FLOOR])} for name, c in costs.items()
                },
                "figures": [dict(zip(("figure", "measured", "at_most"), row, strict=True)) for row in figures(costs)],
            }
            RESULTS.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


def commands(folder: Path, size: Size) -> dict[str, Sequence[str]]:
    """Make the session and its decisions; gives every program's command by its name."""
    prepare(folder, size)
    tracks, recipe, trimmed = folder / TRACKS, folder / "recipe.yaml", folder / "trimmed.yaml"
    write_sized_recipe(trimmed, size, ceiling_dbtp=CEILING_THAT_TRIMS_DBTP)
    (folder / "mix.sh").write_text(sox_script(folder, folder / "sox"), encoding="utf-8")

    def program(name: str, out: str, *more: str) -> list[str]:
        return [sys.executable, "-m", f"tests.bench.programs.{name}", str(folder), str(folder / out), *more]

    def stage(*more: str) -> list[str]:
        return ["sh", "-c", 'rm -rf "$0"; exec "$@"', str(folder / "stage"), *program("stage", "stage", *more)]

    def whole(recipe: Path, *more: str) -> list[str]:
        command = [sys.executable, "-m", "premix", "render", str(recipe), str(tracks)]
        return [*command, "--out", str(folder / "whole"), "--force", "--no-report", *more]

    fresh = "--fresh"  # reads every track, whatever the run before left in OUT

    programs: dict[str, Sequence[str]] = {
        FLOOR: program("floor", "floor"),
        STAGE: stage(),
        STAGE + TWO: stage("--threads", "2"),
        METERS: stage("--meters"),
        METERS + TWO: stage("--meters", "--threads", "2"),
        WHOLE: whole(recipe, fresh),
        CHANGED: whole(recipe, "--set", "guitar_bus.gain_db=-1"),
        WHOLE + TWO: whole(recipe, fresh, "--threads", "2"),
        WHOLE + ", trim needed": whole(trimmed, fresh),
        "sox script": ["sh", str(folder / "mix.sh")],
        "ffmpeg filter graph": ffmpeg_command(folder, folder / "ffmpeg"),
        "pedalboard a track": program("pedalboard_mix", "pedalboard"),
        NAIVE: program("naive", "naive"),
        NAIVE_METERS: program("naive", "naive", "--meters"),
        NAIVE_WHOLE: program("naive", "naive", "--whole"),
    }
    return {name: command for name, command in programs.items() if name not in LESS or _there(command[0])}


def _there(program: str) -> bool:
    return shutil.which("sox" if program == "sh" else program) is not None


def show(costs: Mapping[str, Sequence[Cost]]) -> None:
    print(f"\n{'program':28s} {'CPU s':>8s} {'wall s':>8s} {'peak MB':>8s} {'CPU/floor':>10s}")
    for name, own in costs.items():
        middle = medians(own)
        print(
            f"{name:28s} {middle.cpu_s:8.2f} {middle.wall_s:8.2f} {middle.peak_mb:8.0f} "
            f"{ratio(own, costs[FLOOR]):10.2f}  {LESS.get(name, '')}"
        )
    print(f"\n{'figure':48s} {'measured':>8s} {'at most':>8s}")
    for what, value, most in figures(costs):
        print(f"{what:48s} {value:8.2f} {most:8.2f}")


def figures(costs: Mapping[str, Sequence[Cost]]) -> list[tuple[str, float, float]]:
    """(what, measured, at most) of every figure that these programs give."""
    rows: list[tuple[str, float, float]] = []

    def add(what: str, a: str, b: str, most: float) -> None:
        if a in costs and b in costs:
            rows.append((what, ratio(costs[a], costs[b]), most))

    add("render stage / floor, CPU", STAGE, FLOOR, 1.2)
    add("render stage with meters / floor, CPU", METERS, FLOOR, 2.6)
    if WHOLE in costs:
        whole, floor = medians(costs[WHOLE]), medians(costs[FLOOR])
        rows.append(("premix render, CPU s (4 x floor + 2 s)", whole.cpu_s, 4.0 * floor.cpu_s + 2.0))
        rows.append(("premix render, peak MB", whole.peak_mb, 200.0))
    add("changed gain / premix render, CPU", CHANGED, WHOLE, 0.65)
    add("render stage with meters / naive script, CPU", METERS, NAIVE_METERS, 0.25)
    add("premix render / naive script, whole job, CPU", WHOLE, NAIVE_WHOLE, 0.25)
    for name in (METERS, WHOLE):
        if name + TWO in costs:
            walls = [two.wall_s / one.wall_s for two, one in zip(costs[name + TWO], costs[name], strict=True)]
            rows.append((f"{name}, 2 threads / 1, wall", median(walls), 0.75))
    return rows


def largest_step(folder: Path) -> int:
    """Largest difference of any sample between the render stage and the naive script, in steps of 24 bits."""
    import numpy as np  # late: a process starts with the peak memory of the one that started it
    import soundfile

    largest = 0
    for name in json.loads((folder / "mix.json").read_text())["names"].values():
        ours, other = (soundfile.SoundFile(folder / out / name) for out in ("stage", "naive"))
        with ours, other:
            if ours.frames != other.frames:
                raise ValueError(f"{name}: {ours.frames} and {other.frames} frames")
            for block in ours.blocks(1 << 18, dtype="int32"):
                difference = (block >> 8) - (other.read(len(block), dtype="int32") >> 8)
                largest = max(largest, int(np.abs(difference).max(initial=0)))
    return largest


if __name__ == "__main__":
    main()
