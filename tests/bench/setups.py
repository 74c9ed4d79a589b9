"""What is named between two songs of a rig: `python -m tests.bench.setups [--rigs 25] [--songs 8] [--jobs 2]`.

Simulated rigs (pyroomacoustics), each with a first song and others of other notes: steady ones, one with a mic nudged
by 2 to 20 mm, one with a preamp turned by 0.2 to 3 dB, one with two names swapped, one in other air, one whose
reference was moved, one with less top. Every song is read by the whole alignment and its print
held against the first one's. Results of the last run: setups.json.
"""

import argparse
import json
import tempfile
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from premix.measures.moves import Statement, compared
from premix.measures.pooled import set_up_of
from premix.model.set_up import SetUp
from premix.pipeline import prepare
from tests.bench.machine import versions
from tests.rigs.moved_rigs import REFERENCE, STEADY, State, write_moved_recipe, write_moved_song

RESULTS = Path(__file__).with_suffix(".json")
KINDS = ("moved", "preamp", "swapped", "air", "reference", "top")
NUDGED = ("condenser", "ribbon", "room")
TURNED = ("condenser", "ribbon", "sub")
SWAPPABLE = ("dynamic", "condenser", "ribbon", "sub", "room")


@dataclass(frozen=True, slots=True)
class Case:
    """One song against the first of its rig. kind: what was done, 'steady' where nothing was. named: whether that, and
    that alone, was told. size, found, within: what was done, what was read, and how far it may be off; in mm, dB or K.
    words: what was told."""

    rig: int
    kind: str
    size: float
    named: bool
    found: float | None
    within: float | None
    words: tuple[str, ...]


def state_of(rig: int, kind: str) -> tuple[State, str, float]:
    """What is done in a rig: the state, the mics it is done to, and its size."""
    rng = np.random.default_rng([rig, KINDS.index(kind), 80])
    sign = float(rng.choice([-1.0, 1.0]))
    mm, db = sign * float(np.exp(rng.uniform(np.log(2.0), np.log(20.0)))), sign * float(rng.uniform(0.2, 3.0))
    if kind == "moved":
        mic = str(rng.choice(NUDGED))
        return State(nudges_mm={mic: mm}), mic, mm
    if kind == "preamp":
        mic = str(rng.choice(TURNED))
        return State(gains_db={mic: db}), mic, db
    if kind == "swapped":
        a, b = sorted(rng.choice(len(SWAPPABLE), 2, replace=False).tolist())
        return State(swapped=(SWAPPABLE[a], SWAPPABLE[b])), f"{SWAPPABLE[a]}, {SWAPPABLE[b]}", 0.0
    if kind == "air":
        warmer = sign * float(rng.uniform(4.0, 12.0))
        return State(temperature_c=20.0 + warmer), "air", warmer
    if kind == "reference":
        mm = float(np.clip(mm, -8.0, 8.0))  # it stands 2 to 6 cm from the speaker
        return State(nudges_mm={REFERENCE: mm}), REFERENCE, mm
    top = -float(rng.uniform(1.0, 6.0))
    mic = str(rng.choice(NUDGED[:2]))
    return State(tops_db={mic: top}), mic, top


WORD = {
    "moved": "moved",
    "preamp": "level",
    "swapped": "swapped",
    "air": "temperature",
    "reference": "moved",
    "top": "top",
}


def cases_of(rig: int, songs: int, seconds: float) -> list[Case]:
    """All songs of one rig against its first."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        recipe = write_moved_recipe(folder / "house.yaml")
        first = _read(recipe, folder / "first", rig, 0, STEADY, seconds)
        found = []
        for song in range(1, songs + 1):
            other = _read(recipe, folder / f"steady_{song}", rig, song, STEADY, seconds)
            told = _told(first, other)
            found.append(Case(rig, "steady", 0.0, not told, None, None, tuple(s.words() for s in told)))
        for number, kind in enumerate(KINDS, songs + 1):
            state, subject, size = state_of(rig, kind)
            told = _told(first, _read(recipe, folder / kind, rig, number, state, seconds))
            found.append(_judged(rig, kind, subject, size, told))
    return found


def _read(recipe: Path, folder: Path, rig: int, song: int, state: State, seconds: float) -> SetUp:
    write_moved_song(folder, rig, song, state, seconds=seconds)
    with prepare(recipe, folder) as prepared:
        setup = set_up_of(prepared.song)
    for path in folder.iterdir():
        path.unlink()
    assert setup is not None
    return setup


def _told(first: SetUp, other: SetUp) -> Sequence[Statement]:
    assert first.pooled is not None
    return compared(first.pooled, first, other).statements


def _judged(rig: int, kind: str, subject: str, size: float, told: Sequence[Statement]) -> Case:
    """Whether it is named, alone; a colour told beside a top of the same mic is the same thing."""
    own = next((s for s in told if s.kind == WORD[kind] and s.subject == subject), None)
    beside = [s for s in told if s is not own and not (kind == "top" and s.subject == subject)]
    named = own is not None and not beside and not (own.performances)
    words = tuple(s.words() for s in told)
    return Case(rig, kind, size, named, own.size if own else None, own.within if own else None, words)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rigs", type=int, default=25)
    parser.add_argument("--first", type=int, default=2000, help="first rig; set and mended on some below 1017")
    parser.add_argument("--songs", type=int, default=8, help="steady songs of each rig")
    parser.add_argument("--seconds", type=float, default=14.0)
    parser.add_argument("--jobs", type=int, default=1)
    options = parser.parse_args()
    rigs = range(options.first, options.first + options.rigs)
    one = partial(cases_of, songs=options.songs, seconds=options.seconds)
    with ProcessPoolExecutor(options.jobs) as pool:
        cases = list(chain.from_iterable(pool.map(one, rigs)))
    results = {"versions": versions(), "rigs": options.rigs, "first": options.first, "seconds": options.seconds}
    results |= figures(cases)
    RESULTS.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")


def figures(cases: Sequence[Case]) -> dict[str, Any]:
    """What is printed and kept: by kind how many were named, and how many sizes lie within what is told."""
    kinds: dict[str, Any] = {}
    for kind in ("steady", *KINDS):
        own = [case for case in cases if case.kind == kind]
        read = [case for case in own if case.found is not None and case.kind not in ("swapped", "steady", "top")]
        held = [case for case in read if abs((case.found or 0.0) - case.size) <= (case.within or 0.0)]
        off = [abs((case.found or 0.0) - case.size) for case in read]
        kinds[kind] = {
            "songs": len(own),
            "named": sum(case.named for case in own),
            "read": len(read),
            "held": len(held),
        }
        if off:
            kinds[kind] |= {"median_off": round(float(np.median(off)), 3), "most_off": round(max(off), 3)}
        print(f"{kind:10s} {kinds[kind]}")
        for case in own:
            if not case.named or (case in read and case not in held):
                print(f"    rig {case.rig}, {case.size:+.2f}: {'; '.join(case.words) or 'nothing told'}")
    return {"kinds": kinds}


if __name__ == "__main__":
    main()
