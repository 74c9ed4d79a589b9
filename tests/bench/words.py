"""What the words for a decision are worth: `python -m tests.bench.words [--set-ups 640] [--first 40000] [--jobs 2]`.

Simulated set-ups, every other one with a fault in one mic (tests/rigs/words.py): how many of the mics with each word
had a wrong polarity or lost more than 0.1 dB of sum efficiency. Then how often the printed range of a delay holds the
true one: five takes of a set-up, each against the mean of the four others. Results of the last run: words.json.
"""

import argparse
import json
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from itertools import chain
from pathlib import Path

import numpy as np

from tests.bench.machine import versions
from tests.rigs.words import WRONG_DB, MicWord, RangeCase, range_cases, word_cases

RESULTS = Path(__file__).with_suffix(".json")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--set-ups", type=int, default=100)
    parser.add_argument("--first", type=int, default=40_000, help="first seed; the words were set on some below 31,000")
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.set_ups)
    with ProcessPoolExecutor(options.jobs) as pool:
        found = list(chain.from_iterable(pool.map(word_cases, seeds)))
        ranges = list(chain.from_iterable(pool.map(range_cases, seeds[: max(2, len(seeds) // 10)])))
    results = {"versions": versions(), "set_ups": options.set_ups, "first": options.first}
    results |= {"words": words(found), "ranges": covered(ranges)}
    RESULTS.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")


def words(found: list[MicWord]) -> dict[str, dict[str, float]]:
    print(f"{len(found)} mics that were not refused, {sum(x.fault != 'none' for x in found)} of them with a fault")
    print(f"  word   mics  wrong polarity or over {WRONG_DB:g} dB lost   share   worst dB")
    rows = {}
    for name in ("sure", "good", "fair"):
        own = [x for x in found if x.confidence == name]
        wrong, worst = sum(x.wrong for x in own), max((x.loss_db for x in own), default=0.0)
        share = wrong / max(1, len(own))
        print(f"  {name:5s} {len(own):5d}  {wrong:36d}  {100.0 * share:5.1f} %  {worst:7.2f}")
        rows[name] = {"mics": len(own), "wrong": wrong, "worst_db": worst}
    for x in found:
        if x.wrong and x.confidence == "sure":
            print(f"  MISSED: seed {x.seed}, {x.mic}, {x.fault}: {x.loss_db:.2f} dB")
    print(f"  wrong ones by fault: {dict(Counter(x.fault for x in found if x.wrong))}")
    return rows


def covered(cases: list[RangeCase]) -> dict[str, float]:
    held = sum(x.held for x in cases)
    half = float(np.median([x.range_samples for x in cases]))
    print(f"{len(cases)} delays of one take: the range holds the true one in {100.0 * held / max(1, len(cases)):.1f} %")
    print(f"  half the range: median {half:.3f} samples")
    return {"delays": len(cases), "held": held, "median_samples": half}


if __name__ == "__main__":
    main()
