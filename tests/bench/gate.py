"""How well the room's gate follows the song: `python -m tests.bench.gate [--seeds 12] [--takes 8] [--jobs 1]`.

The default seeds are ones that nothing was tuned on; the families were tuned on seeds 0 to 14, 1000 to 1003, 2000 to
2031, 3000 to 3011, 5000 to 5003, 6000 to 6003, 7000 to 7003, 8000 to 8007, 9000 to 9011, and beside drums on 20000 to
20040. Prints, for real guitar samples and synthetic strings in stop-and-go patterns (tempo 80 to 260, fixed seeds) and
for the demo session: F-measure of starts and stops with one-to-one matching at 10 and 50 ms (mir_eval.onset, 50 ms is
its standard window), how open the gate is at the room's first direct sound, open and closed gain, clicks above 10 kHz,
identity of block sizes, and CPU time a sample. Then, for takes of several sections beside drums
(`tests.rigs.sections`): F of the starts and stops that are sharp and can be told, the guitar's direct sound that the
room loses, a section of a take each, what is left of the room in the stops, against the ungated room, and the same gate
on the stem: noise in its stops, change of its riff. Last, rooms whose strongest sound is a reflection
(`tests.gate.late_rooms`): what the gate takes of the first 20 ms of the first sound. The last run's results stand in
gate.json beside it.
"""

import argparse
import itertools
import json
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from premix.audio.bands import KeyPower
from premix.audio.gains import curve_gain
from premix.demo.line_ups import PERFORMANCES
from premix.demo.session import perform_session
from premix.gate.curves import room_curve
from premix.model.settings import Gate
from tests.bench.machine import versions
from tests.gate.gated_riff import (
    boundaries,
    clicks_db,
    compared_riff,
    envelopes,
    errors_ms,
    f_measure,
    gate_riff,
    opening_db,
)
from tests.gate.gated_sections import gate_stem, gate_take, left_db, lost_by_section, times
from tests.gate.late_rooms import attacks_lost_db
from tests.rigs.sections import Part

RESULTS = Path(__file__).with_suffix(".json")
UNSEEN = 10000
"""First seed of those that nothing was tuned on."""
FAMILIES: dict[str, dict[str, Any]] = {
    "real, hiss -40 dB": {},
    "real, hiss -30 dB": {"hiss_db": -30.0},
    "real, hum -35 dB": {"hum_db": -35.0},
    "real, quiet verse -12 dB": {"quiet_verse": True},
    "real, drum bleed -24 dB": {"bleed_db": -24.0},
    "real, bleed and verse": {"bleed_db": -24.0, "quiet_verse": True},
    "real, fade-out": {"fade_out": True},
    "real, hiss -60 dB": {"hiss_db": -60.0, "hum_db": -70.0},
    "synthetic, hiss -35 dB": {"samples": "synth", "hiss_db": -35.0},
    "synthetic, drum bleed": {"samples": "synth", "bleed_db": -24.0},
}
VERSE, FAR_VERSE = ([Part(3), Part(3, level_db), Part(2)] for level_db in (-18.0, -25.0))
SECTIONS: dict[str, tuple[list[Part], dict[str, Any]]] = {
    "verse 18 dB down": (VERSE, {}),
    **{f"verse 18 dB down, bleed {db:.0f} dB": (VERSE, {"bleed_db": db}) for db in (-30.0, -25.0, -20.0, -15.0)},
    "verse 25 dB down": (FAR_VERSE, {}),
    **{f"riff, bleed {db:.0f} dB": ([Part(4)], {"bleed_db": db}) for db in (-20.0, -15.0)},
    **{
        f"fade of {db:.0f} dB": ([Part(3), Part(0, ending="fade", fade_db=db)], {"hiss_db": -55.0})
        for db in (30.0, 40.0, 60.0)
    },
    "fade of 60 dB, noise -70 dB": (
        [Part(3), Part(0, ending="fade", fade_db=60.0)],
        {"hiss_db": -70.0, "hum_db": -80.0},
    ),
    "last chord of 2 s, damped": ([Part(3), Part(0, ending="damped")], {}),
    "last chord, rings out": ([Part(3), Part(0, ending="ring")], {}),
    "last chord, rings out, bleed -25 dB": ([Part(3), Part(0, ending="ring")], {"bleed_db": -25.0}),
    **{f"swell of {s:g} s": ([Part(2, swell_s=s), Part(2, swell_s=s)], {}) for s in (0.3, 0.6, 1.2)},
    "swell of 0.6 s, bleed -25 dB": ([Part(2, swell_s=0.6), Part(2, swell_s=0.6)], {"bleed_db": -25.0}),
    **{f"ghost notes at {db:.0f} dB": ([Part(5, events="ghost", event_db=db)], {}) for db in (-12.0, -20.0, -30.0)},
    "scratches at -15 dB": ([Part(5, events="scratch", event_db=-15.0)], {}),
    "count-in clicks": ([Part(3)], {"count_in": True}),
    **{f"room of {s:g} s": ([Part(3), Part(2, -12.0)], {"rt_s": s}) for s in (0.2, 0.5, 0.8)},
}
"""Takes of several sections: what is played, and how it is heard; one of two and one of three close mics in turn."""


@dataclass
class Measured:
    """One pattern, or many: pairs of (true, found) starts and stops that can be told, and all of them."""

    starts: list[Any] = field(default_factory=list)
    stops: list[Any] = field(default_factory=list)
    all_starts: list[Any] = field(default_factory=list)
    all_stops: list[Any] = field(default_factory=list)
    opening: list[float] = field(default_factory=list)
    closed: list[float] = field(default_factory=list)
    opened: list[float] = field(default_factory=list)
    clicks: list[float] = field(default_factory=list)
    same_in_blocks: bool = True

    def add(self, other: "Measured") -> None:
        for name in ("starts", "stops", "all_starts", "all_stops", "opening", "closed", "opened", "clicks"):
            getattr(self, name).extend(getattr(other, name))
        self.same_in_blocks &= other.same_in_blocks


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=12, help="patterns of each stop-and-go family")
    parser.add_argument("--takes", type=int, default=8, help="takes of each family of sections")
    parser.add_argument("--first", type=int, default=UNSEEN, help="first seed; another one leaves gate.json alone")
    parser.add_argument("--rooms", type=int, default=24, help="rooms whose strongest sound is not their first")
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    results: dict[str, object] = {"versions": versions()}
    everything = Measured()
    print(
        f"{'family':26s} patterns  starts/stops  F 10 ms        F 50 ms        "
        "error ms (starts, stops)      F 10 ms, all"
    )
    with ProcessPoolExecutor(options.jobs) as pool:
        for name in FAMILIES:
            family = Measured()
            for one in pool.map(pattern, [name] * options.seeds, range(options.first, options.first + options.seeds)):
                family.add(one)
            results[name] = row(name, options.seeds, family)
            everything.add(family)
        together = sections(pool, options.takes, options.first)
        rooms = first_sounds(pool, options.rooms, options.first)
    results["all patterns"] = row("all patterns", options.seeds * len(FAMILIES), everything)
    demo = demo_session()
    results["demo session"] = row("demo session", len(demo.starts), demo)
    results["gate"] = gate_figures(everything)
    results["ns_a_sample"] = cost()
    results["sections"] = together
    results["first_sound"] = rooms
    if options.first == UNSEEN:
        RESULTS.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")


@dataclass
class Sections:
    """Takes of one family: (true, found) starts and stops; dB of guitar lost, a section of a take each; dB left in each
    stop. Of the stem under the same gate: noise in each stop, dBFS, and change of each section, dB."""

    starts: list[Any] = field(default_factory=list)
    stops: list[Any] = field(default_factory=list)
    lost: list[float] = field(default_factory=list)
    left: list[float] = field(default_factory=list)
    noise: list[float] = field(default_factory=list)
    changed: list[float] = field(default_factory=list)

    def add(self, other: "Sections") -> None:
        for name in ("starts", "stops", "lost", "left", "noise", "changed"):
            getattr(self, name).extend(getattr(other, name))


def sections(pool: ProcessPoolExecutor, takes: int, first: int) -> dict[str, object]:
    """Every family of sections, a line each, and all of them."""
    print(
        f"\n{'sections':36s} takes  starts/stops  F 10 ms        lost dB (most)  left dB (most), stops  stem: "
        "noise dBFS, change dB (most)"
    )
    everything = Sections()
    rows: dict[str, object] = {}
    for name in SECTIONS:
        family = Sections()
        for one in pool.map(section_take_of, [name] * takes, range(first, first + takes)):
            family.add(one)
        rows[name] = sections_row(name, takes, family)
        everything.add(family)
    rows["all sections"] = sections_row("all sections", takes * len(SECTIONS), everything)
    return rows


def section_take_of(name: str, seed: int) -> Sections:
    """One take of a family."""
    parts, settings = SECTIONS[name]
    tempo = float(np.random.default_rng([seed, len(name)]).uniform(90.0, 220.0))
    samples = "synth" if seed % 4 == 3 else "real"
    with TemporaryDirectory() as folder:
        case = gate_take(seed, parts, Path(folder), mics=2 + seed % 2, tempo_bpm=tempo, samples=samples, **settings)
    stem = gate_stem(case)
    return Sections(
        [times(case, 0)],
        [times(case, 1)],
        list(lost_by_section(case)),
        [db for _, db in left_db(case)],
        [after for _, after in stem.noise_dbfs],
        stem.changed_db,
    )


def sections_row(name: str, takes: int, family: Sections) -> dict[str, object]:
    """Print and return one line."""
    counts = [sum(true.size for true, _ in pairs) for pairs in (family.starts, family.stops)]
    scores = [round(f_measure(pairs, 0.010), 4) for pairs in (family.starts, family.stops)]
    lost, left = round(max(family.lost), 3), round(max(family.left, default=-np.inf), 1)
    noise, changed = round(max(family.noise, default=-np.inf), 1), round(max(family.changed), 1)
    print(
        f"{name:36s} {takes:5d}  {counts[0]:5d} {counts[1]:5d}  {scores[0]:.4f} {scores[1]:.4f}  {lost:8.3f}"
        f"        {left:6.1f} {len(family.left):5d}             {noise:8.1f} {changed:8.1f}",
        flush=True,
    )
    return {
        "takes": takes,
        "starts": counts[0],
        "stops": counts[1],
        "f_10_ms": scores,
        "lost_db_max": lost,
        "sections_over_0.1_db": sum(bool(db > 0.1) for db in family.lost),
        "sections": len(family.lost),
        "left_db_max": left,
        "stops_over_-30_db": sum(bool(db > -30.0) for db in family.left),
        "stops_measured": len(family.left),
        "stem_noise_dbfs_max": noise,
        "stem_changed_db_max": changed,
        "stem_sections_changed_over_-55_db": sum(bool(db > -55.0) for db in family.changed),
    }


def first_sounds(pool: ProcessPoolExecutor, rooms: int, first: int) -> dict[str, object]:
    """What is lost of attacks where the strongest sound is a reflection, as found and as if that were the first."""
    seeds = range(first, first + rooms)
    lost = [db for found in pool.map(attacks_lost_db, seeds) for db in found]
    late = [db for found in pool.map(partial(attacks_lost_db, by_strongest=True), seeds) for db in found]
    found: dict[str, object] = {
        "rooms": rooms,
        "starts": len(lost),
        "lost_of_first_20_ms_db_max": round(float(max(0.0, *lost)), 2),
        "by_the_strongest_sound_db_max": round(float(max(0.0, *late)), 2),
    }
    print("first sound:", found)
    return found


def pattern(name: str, seed: int) -> Measured:
    """One pattern of a family; every fifth at 44.1 kHz."""
    tempo = float(np.random.default_rng([seed, len(name)]).uniform(80.0, 260.0))
    rate = 44100 if seed % 5 == 4 else 48000
    with TemporaryDirectory() as folder:
        case = gate_riff(seed, Path(folder), tempo_bpm=tempo, n_bars=6, rate=rate, **FAMILIES[name])
    gains = case.gains()
    gain_db, spans = 20.0 * np.log10(gains), case.riff.spans
    closed, opened = [], []
    for (_, off), (on, _) in itertools.pairwise(spans):
        if on - off > 0.2:
            closed.append(float(gain_db[round(off * rate) : round(on * rate)].min()))
    for on, off in spans:
        opened.append(float(gain_db[round(on * rate + case.arrival) : round(off * rate + case.arrival)].min()))
    every = [(np.array([s[i] for s in case.rig.spans]), np.array([s[i] for s in spans])) for i in (0, 1)]
    return Measured(
        [boundaries(case, 0)],
        [boundaries(case, 1)],
        [every[0]],
        [every[1]],
        opening_db(case).tolist(),
        closed,
        opened,
        [clicks_db(case)],
        all(np.array_equal(case.gains(size), gains) for size in (64, 1000, 57_600)),
    )


def demo_session() -> Measured:
    """All takes of two demo sessions against their own truth."""
    measured = Measured()
    for seed in (1, 2):
        for truth, recorded in perform_session(24.0, 48000, seed, PERFORMANCES):
            close = np.array([signal for mic, signal in recorded if mic.role == "close"])
            with TemporaryDirectory() as folder:
                riff = compared_riff(envelopes(close, 48000, Path(folder)), np.ones(3), np.zeros(3), Gate())
            for which, pairs in enumerate((measured.starts, measured.stops)):
                pairs.append((np.array([s[which] for s in truth.riff]), np.array([s[which] for s in riff.spans])))
    measured.all_starts, measured.all_stops = measured.starts, measured.stops
    return measured


def row(name: str, patterns: int, measured: Measured) -> dict[str, object]:
    """Print and return one line of the table."""
    kinds = (measured.starts, measured.stops)
    counts = [sum(true.size for true, _ in pairs) for pairs in kinds]
    errors = [np.concatenate([errors_ms(*pair) for pair in pairs]) for pairs in kinds]
    spread = [[round(float(np.percentile(e, q)), 1) for q in (0, 50, 100)] for e in errors]
    scores = {w: [round(f_measure(pairs, w / 1000.0), 4) for pairs in kinds] for w in (10, 50)}
    whole = [round(f_measure(pairs, 0.010), 4) for pairs in (measured.all_starts, measured.all_stops)]
    print(
        f"{name:26s} {patterns:8d}  {counts[0]:5d} {counts[1]:5d}  "
        + "  ".join(f"{a:.4f} {b:.4f}" for a, b in scores.values())
        + f"  {spread[0]!s:18s} {spread[1]!s:18s}"
        f" {whole[0]:.3f} {whole[1]:.3f}",
        flush=True,
    )
    return {
        "patterns": patterns,
        "starts": counts[0],
        "stops": counts[1],
        "f_10_ms": scores[10],
        "f_50_ms": scores[50],
        "error_ms_min_median_max": spread,
        "f_10_ms_with_inaudible_stops": whole,
    }


def gate_figures(measured: Measured) -> dict[str, object]:
    figures: dict[str, object] = {
        "gain_db_at_first_direct_sound_min": min(measured.opening),
        "open_gain_db_min": min(measured.opened),
        "closed_gain_db_min": min(measured.closed),
        "closed_gain_db_max": max(measured.closed),
        "click_excess_db_max": round(max(measured.clicks), 3),
        "same_in_every_block_size": measured.same_in_blocks,
    }
    for name, value in figures.items():
        print(f"{name:40s} {value}")
    return figures


def cost() -> dict[str, float]:
    """CPU ns a sample: key envelopes of one mic, riff from four mics (a key sample), gain and product of a room."""
    rate, seconds, block = 48_000, 120, 57_600
    rng, room = np.random.default_rng(1), np.zeros(block)
    edges = np.cumsum(rng.uniform(0.06, 0.6, 2 * seconds))
    edges = edges[: np.searchsorted(edges, seconds - 1) // 2 * 2]
    shape = np.repeat(np.tile([0.001, 1.0], edges.size // 2), np.diff(edges * rate, prepend=0.0).astype(int))
    key = 0.1 * shape * rng.standard_normal(shape.size)
    curve = room_curve(
        list(zip(edges[::2] / 1.0, edges[1::2] / 1.0, strict=True)),
        Gate(),
        rate=rate,
        frames=key.size,
        arrival_samples=420.0,
    )

    def envelope() -> None:
        power = KeyPower(rate, 48)
        for at in range(0, key.size, block):
            power.feed(key[at : at + block])

    def gated() -> None:
        gain = np.empty(block)
        for at in range(0, key.size, block):
            part = gain[: min(block, key.size - at)]
            constant = curve_gain(curve, at, part)
            np.multiply(key[at : at + block], part if constant is None else constant, out=room[: part.size])

    with TemporaryDirectory() as folder:
        four = envelopes(np.tile(key, (4, 1)), rate, Path(folder))
        found = {
            "key": best(envelope) / key.size,
            "riff": best(lambda: compared_riff(four, np.ones(4), np.arange(4.0), Gate())) / key.size / 4,
            "room": best(gated) / key.size,
        }
    result = {name: round(1e9 * value, 2) for name, value in found.items()}
    print("ns a sample:", result)
    return result


def best(work: Callable[[], object], times: int = 7) -> float:
    """Least CPU time in seconds of several runs."""
    taken = []
    for _ in range(times):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


if __name__ == "__main__":
    main()
