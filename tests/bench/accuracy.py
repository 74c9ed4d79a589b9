"""How right the alignment is, in numbers: `python -m tests.bench.accuracy [--cabinets 1000] [--jobs 2]`.

Prints pure delays, noisy pairs against the Cramer-Rao bound, simulated cabinets against brute force and against
plain cross-correlation, GCC-PHAT and PHAT with a Hann window (Knapp & Carter 1976; Clifford & Reiss, JAES 61(11)
2013), impostors and dead channels, room mics against image sources, closure and the zero-lag trap. Results of the
last run: accuracy.json beside it.
"""

import argparse
import json
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

from tests.bench.machine import versions
from tests.rigs.accuracy import (
    SPOILERS,
    cabinet_case,
    closure_case,
    hum_trap_case,
    pair_errors,
    pure_delay_errors,
    room_case,
    spoiled_case,
)

RESULTS = Path(__file__).with_suffix(".json")
ROOM_SEEDS = 1000
"""First seed of the rooms; the rule was tried out on others."""
PAIRS = (  # low Hz, high Hz, seconds, coherence, seeds, bound x CRLB
    (80.0, 5000.0, 10.0, 0.5, 200, 1.2),
    (80.0, 5000.0, 10.0, 0.9, 200, 1.2),
    (40.0, 150.0, 60.0, 0.8, 100, 1.5),
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cabinets", type=int, default=60)
    parser.add_argument("--seeds", type=float, default=1.0, help="share of the seeds of the noisy pairs")
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    results: dict[str, object] = {"versions": versions()}
    with ProcessPoolExecutor(options.jobs) as pool:
        results["pure_delays"] = pure()
        results["pairs"] = pairs(pool, options.seeds)
        results["cabinets"] = cabinets(pool, options.cabinets)
        results["refusals"] = refusals(pool, options.cabinets)
        results["rooms"] = rooms(pool, 78)
        results["laws"] = laws(pool, max(4, options.cabinets // 25))
    RESULTS.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")


def pure() -> list[dict[str, float]]:
    print("\npure fractional delay, no noise: largest error in samples (bound 0.001)")
    rows = []
    for low, high in ((80.0, 5000.0), (20.0, 20000.0)):
        worst = float(np.abs(pure_delay_errors(low, high)).max())
        print(f"  {low:6.0f} - {high:5.0f} Hz  {worst:.6f}")
        rows.append({"low_hz": low, "high_hz": high, "worst_samples": worst})
    return rows


def pairs(pool: ProcessPoolExecutor, share: float) -> list[dict[str, float]]:
    print("\ntwo noisy copies: RMSE in samples against the Cramer-Rao bound")
    print("  band Hz          s   C    seeds   RMSE     bound    ratio  at most  wrong polarity")
    rows = []
    for low, high, seconds, coherence, seeds, most in PAIRS:
        seeds = max(4, round(seeds * share))
        chunks = [(low, high, seconds, coherence, range(s, min(s + 10, seeds))) for s in range(0, seeds, 10)]
        done = list(pool.map(pair_errors, *zip(*chunks, strict=True)))
        errors = np.concatenate([d[0] for d in done])
        wrong, bound = sum(d[1] for d in done), done[0][2]
        rmse = float(np.sqrt(np.mean(errors**2)))
        print(
            f"  {low:5.0f} - {high:5.0f}  {seconds:5.0f}  {coherence:.1f}  {seeds:5d}  {rmse:.5f}  {bound:.5f}"
            f"  {rmse / bound:5.3f}  {most:7.1f}  {wrong:8d}"
        )
        rows.append(
            {
                "low_hz": low,
                "high_hz": high,
                "coherence": coherence,
                "rmse_samples": rmse,
                "bound_samples": bound,
                "wrong_polarity": wrong,
            }
        )
    return rows


def cabinets(pool: ProcessPoolExecutor, count: int) -> dict[str, object]:
    started = time.perf_counter()
    cases = list(pool.map(cabinet_case, range(count), chunksize=4))
    print(
        f"\n{count} simulated cabinets ({sum(c.via == 'pyroomacoustics' for c in cases)} in rooms), "
        f"{time.perf_counter() - started:.0f} s"
    )
    mics = sum(c.mics for c in cases)
    print(
        f"  {mics} close and sub mics: wrong polarity {sum(c.wrong for c in cases)}, "
        f"refused good mics {sum(c.refused for c in cases)}, "
        f"lowest coherence of a good mic {min(c.lowest_coherence for c in cases):.3f}"
    )
    print("  sum efficiency dB       lowest   median  highest  wrong polarity")
    rows = {}
    for name in cases[0].efficiency_db:
        values = np.array([c.efficiency_db[name] for c in cases])
        wrong = sum(c.wrong_by[name] for c in cases)
        print(f"  {name:22s} {values.min():7.2f}  {np.median(values):7.2f}  {values.max():7.2f}  {wrong:8d}")
        rows[name] = {"lowest_db": float(values.min()), "median_db": float(np.median(values)), "wrong": wrong}
    brute = [c.brute_loss_db for c in cases]
    print(f"  against brute force on all: largest loss {max(brute):.4f} dB (bound 0.02)")
    for c in cases:
        if c.wrong or c.refused or c.brute_loss_db > 0.02:
            print(f"  MISSED: seed {c.seed}, {c.what}: wrong {c.wrong}, refused {c.refused}, {c.brute_loss_db:.4f} dB")
    hardest = sorted(cases, key=lambda c: c.narrowest)[:3]
    for c in hardest:
        print(f"  hardest: seed {c.seed}, {c.what}: other polarity only {c.narrowest:.2f} dB worse")
    return {
        "count": count,
        "mics": mics,
        "efficiency": rows,
        "brute_loss_db": max(brute),
        "wrong": sum(c.wrong for c in cases),
        "refused": sum(c.refused for c in cases),
    }


def refusals(pool: ProcessPoolExecutor, count: int) -> dict[str, object]:
    done = list(pool.map(spoiled_case, range(count), chunksize=4))
    print("\none mic replaced           cases  accepted  good mics refused  highest coherence of the false mic")
    rows: dict[str, object] = {}
    for seed, d in enumerate(done):
        if d.accepted or d.refused_good:
            print(f"  MISSED: seed {seed}, {d.kind}: coherence {d.coherence}, good mics refused {d.refused_good}")
    for kind in SPOILERS:
        own = [d for d in done if d.kind == kind]
        if own:
            accepted = sum(d.accepted for d in own)
            print(
                f"  {kind:22s} {len(own):8d}  {accepted:8d}  {sum(d.refused_good for d in own):17d}"
                f"  {max(d.coherence or 0.0 for d in own):.3f}"
            )
            rows[kind] = {"cases": len(own), "accepted": accepted}
    print(f"  by slug: {dict(Counter(d.slug for d in done))}")
    return rows


def rooms(pool: ProcessPoolExecutor, count: int) -> dict[str, int]:
    done = list(pool.map(room_case, range(ROOM_SEEDS, ROOM_SEEDS + count), chunksize=4))
    missed = sum(d.error_ms is None for d in done)
    off = sum(d.error_ms is not None and abs(d.error_ms) > 1.0 for d in done)
    unclear, wrong = (sum(d.polarity_right is value for d in done) for value in (None, False))
    print(f"\n{count} takes with a room mic, 2.5 to 7 m away: over 1 ms from the direct path {off}, not found {missed}")
    print(f"  polarity wrong {wrong}, not clear and kept {unclear}")
    return {"count": count, "off_1_ms": off, "not_found": missed, "wrong_polarity": wrong, "unclear": unclear}


def laws(pool: ProcessPoolExecutor, count: int) -> dict[str, float]:
    closure = max(pool.map(closure_case, range(count)))
    trap = max(pool.map(hum_trap_case, range(count)))
    print(f"\nclosure of three colourless mics: at most {closure:.4f} sample (bound 0.05)")
    print(f"zero-lag trap (common hum at -10 dB and -40 dB crosstalk): answer moves {trap:.4f} sample at most")
    return {"closure_samples": closure, "trap_samples": trap}


if __name__ == "__main__":
    main()
