"""How right the alignment is over songs that change: `python -m tests.bench.steadiness [--seeds 200] [--jobs 2]`.

Sessions of 10 s to 4 min, each with one fault of `tests/rigs/faults.py`, three for ten with one that passes by, and
clean ones, aligned and summed as a render does it. Prints what was lost against the best time-varying alignment, what
was said of it, and false alarms. `--first` takes other seeds, `--only jump,drift` some faults, `--clean 0` none
without. Results of the last whole run: steadiness.json beside it, with how much each clean session lost before mics
were followed (`--before` stores that).
"""

import argparse
import json
import time
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from premix.errors import Finding
from premix.gate.rooms import decide_gates
from premix.mixdown.mic_sum import HOP, MicSum, Workspace
from premix.mixdown.plan import plan_mix
from premix.mixdown.render import ROWS
from premix.model.song import Song
from premix.pipeline import prepare
from tests.bench.machine import versions
from tests.rigs.changing_sessions import CYCLE, PASSING, Loss, Session, loss_of, session
from tests.rigs.faults import KINDS, Fault, Kind
from tests.rigs.set_ups import RATE

RESULTS = Path(__file__).with_suffix(".json")
BEFORE = RESULTS.with_name("steadiness_before.json")
BAD_MEAN_DB, BAD_WORST_DB = 0.15, 0.6
REPAIRED_MEAN_DB, REPAIRED_WORST_DB = 0.1, 0.4
NEAR_S = 0.5
LATEST_TAKEN_MS = 30.0
NAMES: dict[Kind, tuple[str, ...]] = {
    "jump": ("alignment-jump",),
    "turned": ("alignment-turned",),
    "drift": ("alignment-drift",),
    "late": ("alignment-late", "alignment-offset"),
    "entry": ("alignment-dropout",),
    "dropout": ("alignment-dropout",),
    "faded": ("alignment-dropout",),
    "swapped": ("tracks-swapped",),
    "doubled": ("tracks-doubled",),
    "moment": ("alignment-turned", "alignment-jump", "alignment-astray"),
    "slipped": ("alignment-jump", "alignment-astray"),
    "foreign": ("alignment-astray",),
}
"""What a finding of the right mic is called."""
LOST: frozenset[Kind] = frozenset({"foreign"})
"""What no delay can get back."""
ALARMS = frozenset(slug for slugs in NAMES.values() for slug in slugs) | {"alignment-astray"}
Row = dict[str, Any]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=200, help="sessions with a fault")
    parser.add_argument("--clean", type=int, help="clean sessions; as many as with a fault")
    parser.add_argument("--intros", type=int, help="clean sessions whose guitar enters late; a tenth as many")
    parser.add_argument("--good", type=int, help="clean sessions with mics of low noise; a fifth as many")
    parser.add_argument("--first", type=int, default=0, help="first seed; other ones than 0 leave the stored figures")
    parser.add_argument("--only", default="", help="faults, separated by commas")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--before", action="store_true", help="store what clean sessions lose, to compare with later")
    parser.add_argument("--rows", type=Path, help="file for the figures of every session")
    options = parser.parse_args()
    only = [kind for kind in options.only.split(",") if kind]
    if set(only) - set(KINDS):
        parser.error(f"--only takes {', '.join(KINDS)}")
    started = time.perf_counter()
    seeds = range(options.first, options.first + options.seeds)
    chosen = [(seed, CYCLE[seed % len(CYCLE)]) for seed in seeds]
    passing = range(options.first, options.first + 3 * options.seeds // 10)
    chosen += [(seed, PASSING[seed % len(PASSING)]) for seed in passing]
    chosen = [(seed, kind) for seed, kind in chosen if not only or kind in only]
    clean = options.seeds if options.clean is None else options.clean
    with ProcessPoolExecutor(options.jobs) as pool:
        faulty = list(_told(pool.map(one, *zip(*chosen, strict=True), chunksize=5))) if chosen else []
        steady = list(pool.map(one, range(options.first, options.first + clean), [None] * clean, chunksize=5))
        intros = options.seeds // 10 if options.intros is None else options.intros
        late = list(pool.map(entering, range(options.first, options.first + 10 * intros, 10)))
        good = options.seeds // 5 if options.good is None else options.good
        quiet = list(pool.map(low_in_noise, range(options.first, options.first + 10 * good, 10)))
    if options.before:
        BEFORE.write_text(json.dumps(losses(steady), indent=1) + "\n", "utf-8")
    results = {
        "versions": versions(),
        "faulty": faulty_table(faulty),
        "clean": clean_table("clean", steady),
        "intros": clean_table("clean, the guitar enters late", late),
        "good": clean_table("clean, mics of low noise", quiet),
        "seconds": round(time.perf_counter() - started),
    }
    if options.rows:
        options.rows.write_text("\n".join(json.dumps(row) for row in (*faulty, *steady)) + "\n", "utf-8")
    if options.first == 0 and not only and clean and not options.before:
        RESULTS.write_text(json.dumps(results, indent=1) + "\n", "utf-8")


def _told(rows: Iterable[Row]) -> Iterable[Row]:
    for row in rows:
        if row["silent"] or not row["named"] or row["repaired"] is False:
            marks = "SILENT " * row["silent"] + "not named " * (not row["named"]) + "bad " * row["bad"]
            loss = f"{row['mean_db']:.2f} dB mean, {row['worst_db']:.2f} at {row['worst_s']:.1f} s"
            print(
                f"  {row['seed']:4d} {row['seconds']:5.1f} s  {marks}{row['fault']}: {loss}; {row['said']}", flush=True
            )
        yield row


def entering(seed: int) -> Row:
    """One clean session whose guitar enters late."""
    return figures_of(seed, None, session(seed, None, intro=True))


def low_in_noise(seed: int) -> Row:
    """One clean session with mics of low noise."""
    return figures_of(seed, None, session(seed, None, good=True))


def one(seed: int, kind: Kind | None) -> Row:
    """One session."""
    return figures_of(seed, kind, session(seed, kind))


def figures_of(seed: int, kind: Kind | None, made: Session) -> Row:
    """A session aligned and summed: what was lost and what was said."""
    with TemporaryDirectory() as folder:
        files = made.write(Path(folder))
        with prepare(files.recipe, files.tracks) as ready:
            song = decide_gates(ready.song)
        lost = {p.name: lost_of(made, song, p.name) for p in song.performances}
    mean = max(loss.mean_db for loss in lost.values())
    worst = max(lost.values(), key=lambda loss: loss.worst_db)
    row: Row = {
        "seed": seed,
        "kind": kind,
        "seconds": made.seconds,
        "closes": made.setup.closes * len(song.performances),
        "mics": sum(1 for _ in song.mics),
        "mean_db": mean,
        "worst_db": worst.worst_db,
        "worst_s": worst.worst_s,
        "bad": mean > BAD_MEAN_DB or worst.worst_db > BAD_WORST_DB,
        "alarms": sorted({f.subject for f in song.findings if f.slug in ALARMS}),
        "refused": [mic.label for mic in song.mics if mic.decision.refusal is not None],
        "said": [f"{f.slug} {f.subject}" for f in song.findings if f.slug in ALARMS or f.severity != "info"],
    }
    return row if made.fault is None or made.faulty is None else row | judged(made, song, made.fault.fault, row)


def lost_of(made: Session, song: Song, performance: str) -> Loss:
    """The stem that a render makes of the performance, against the best sum of the mics that are in it."""
    plan = next(p for p in plan_mix(song).performances if p.performance == performance)
    mics = MicSum(plan.close, RATE, Workspace(ROWS))
    stem = np.empty(-(-song.frames // (ROWS * HOP)) * ROWS * HOP)
    for start in range(0, len(stem), ROWS * HOP):
        mics.next(ROWS, stem[start : start + ROWS * HOP])
    mics.close()
    return loss_of(stem[: song.frames], made, performance, [path.track.mic for path in plan.close])


def judged(made: Session, song: Song, fault: Fault, row: Row) -> Row:
    """What was said of the fault, and whether the sum was repaired."""
    names = made.setup.names
    mics = [f"{made.faulty}/{names[m]}" for m in (fault.mic, fault.other) if m is not None]
    own = [f for f in song.findings if f.severity != "info" and (f.subject in mics or f.subject == made.faulty)]
    refused = [mic for mic in mics if mic in row["refused"]]
    named = [f for f in own if f.slug in NAMES[fault.kind]]
    warned = [f for f in song.findings if f.severity != "info" and f.subject.split("/")[0] == made.faulty]
    return {
        "fault": fault.words(names, RATE),
        "named": bool(named or refused),
        "wrong_mic": bool(set(row["alarms"]) - set(mics)),
        "silent": bool(row["bad"] and not warned),
        "place_s": place_error_s(fault, song, mics[0], named),
        "repaired": None if refused else repaired(row),
        "expected": fault.kind not in LOST and (fault.kind != "late" or 1000.0 * fault.size / RATE <= LATEST_TAKEN_MS),
        "good_refused": [mic for mic in row["refused"] if mic not in mics],
    }


def repaired(row: Row) -> bool:
    return bool(row["mean_db"] <= REPAIRED_MEAN_DB and row["worst_db"] <= REPAIRED_WORST_DB)


def place_error_s(fault: Fault, song: Song, label: str, named: Sequence[Finding]) -> float | None:
    """How far the nearest change of the mic's passages lies from the true place; None: not placed, or nowhere to be."""
    if fault.kind not in ("jump", "turned"):
        return None
    decision = next(mic.decision for mic in song.mics if mic.label == label)
    edges = [passage.from_s for passage in getattr(decision, "passages", ())[1:]]
    return min((abs(edge - fault.from_s) for edge in edges), default=None) if named else None


def faulty_table(rows: Sequence[Row]) -> Row:
    """Print and return the figures of sessions with a fault, by kind and of all."""
    print(
        f"\n{'fault':9s} sessions  bad sums  silent  named  wrong mic too  placed in {NEAR_S} s  repaired  "
        "mean dB median, worst   worst 2 s median, worst"
    )
    table: Row = {}
    for kind in (*KINDS, "all"):
        own = [row for row in rows if kind in (row["kind"], "all")]
        if own:
            table[kind] = faulty_row(kind, own)
    return table


def faulty_row(kind: str, rows: Sequence[Row]) -> Row:
    placed = [
        row["place_s"] is not None and row["place_s"] <= NEAR_S for row in rows if row["kind"] in ("jump", "turned")
    ]
    expected = [row for row in rows if row["expected"]]
    means, worsts = [row["mean_db"] for row in rows], [row["worst_db"] for row in rows]
    figures: Row = {
        "sessions": len(rows),
        "bad": sum(row["bad"] for row in rows),
        "silent": sum(row["silent"] for row in rows),
        "named": sum(row["named"] for row in rows),
        "wrong_mic": sum(row["wrong_mic"] for row in rows),
        "placed": [sum(placed), len(placed)],
        "repaired": [sum(row["repaired"] is True for row in expected), len(expected)],
        "refused": sum(row["repaired"] is None for row in rows),
        "good_refused": sum(len(row["good_refused"]) for row in rows),
        "mean_db": [float(np.median(means)), max(means)],
        "worst_db": [float(np.median(worsts)), max(worsts)],
    }
    print(
        f"{kind:9s} {len(rows):8d}  {figures['bad']:8d}  {figures['silent']:6d}  {figures['named']:5d}"
        f"  {figures['wrong_mic']:13d}  {sum(placed):8d} of {len(placed):3d}"
        f"  {figures['repaired'][0]:3d} of {len(expected):3d}"
        f"  {np.median(means):8.3f} {max(means):8.3f}  {np.median(worsts):12.3f} {max(worsts):8.3f}",
        flush=True,
    )
    return figures


def clean_table(what: str, rows: Sequence[Row]) -> Row:
    """Print and return the figures of sessions without a fault."""
    if not rows:
        return {}
    before = json.loads(BEFORE.read_text("utf-8")) if BEFORE.exists() and what == "clean" else {}
    changes = [row["mean_db"] - before[str(row["seed"])] for row in rows if str(row["seed"]) in before]
    figures: Row = {
        "sessions": len(rows),
        "mics": sum(row["mics"] for row in rows),
        "false_alarms": sum(len(row["alarms"]) for row in rows),
        "good_refused": sum(len(row["refused"]) for row in rows),
        "bad": sum(row["bad"] for row in rows),
        "mean_db": [float(np.median([r["mean_db"] for r in rows])), max(r["mean_db"] for r in rows)],
        "worst_db": [float(np.median([r["worst_db"] for r in rows])), max(r["worst_db"] for r in rows)],
        "more_than_before_db": [float(np.median(changes)), max(changes)] if changes else None,
    }
    print(f"\n{len(rows)} sessions, {what}; {figures['mics']} mics")
    for name, value in figures.items():
        print(f"  {name:20s} {value}")
    for row in rows:
        if row["alarms"] or row["refused"] or row["bad"]:
            print(
                f"  {row['seed']:4d} {row['seconds']:5.1f} s  {row['mean_db']:.3f} {row['worst_db']:.3f}  {row['said']}"
            )
    return figures


def losses(rows: Sequence[Row]) -> dict[str, float]:
    return {str(row["seed"]): row["mean_db"] for row in rows}


if __name__ == "__main__":
    main()
