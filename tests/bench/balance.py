"""The balance of rough mixes, what is no mix, and the page: `python -m tests.bench.balance [--mixes N] [--only PART]`.

Mixes are made by ffmpeg of sessions whose seeds nothing was tuned on: 30 with an equaliser of up to 6 dB, a limiter,
drums and a bass 0 to 6 dB louder than the guitars, an offset of -3 to 8 s, as MP3 of 192 kbit/s. What is no mix of a
song's tracks: mixes of other sessions and of other takes of the same song, the band without guitars, mixes played
backwards. Costs are CPU times of whole commands, of 15 tracks of 4 minutes. Prints the figures, and keeps them beside
this script.
"""

import argparse
import json
import statistics
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from premix.audio.rough_mix import read_mix
from premix.balance.found import balance_of
from premix.demo.line_ups import PERFORMANCES
from premix.demo.session import write_demo
from premix.errors import UserError
from premix.model.balance import FoundBalance
from premix.model.song import Song
from premix.pipeline import Progress, prepare
from tests.bench.machine import versions
from tests.bench.processes import interleaved, medians
from tests.bench.session import make_session
from tests.bench.size import Size, write_sized_recipe
from tests.rigs.rough_mixes import Desk, drawn, drums_and_bass, make_mix

RESULTS = Path(__file__).with_suffix(".json")
RECIPE = Path(__file__).parents[2] / "recipes" / "house.yaml"
MICS = ("dynamic", "condenser", "ribbon", "sub", "room")
CLOSE = ("condenser", "ribbon")
SEEDS = (1001, 1002, 1003)
SECONDS = 60.0
WRONG = 20
CENTRE_DB = -12.0


@dataclass(frozen=True, slots=True)
class Session:
    """A demo session on disk: its tracks by (performance, mic)."""

    folder: Path

    @property
    def tracks(self) -> dict[tuple[str, str], Path]:
        return {(p, m): self.folder / f"{p}_{m}.wav" for p in PERFORMANCES for m in MICS}

    def of(self, performances: tuple[str, ...]) -> dict[tuple[str, str], Path]:
        return {key: path for key, path in self.tracks.items() if key[0] in performances}


def sessions(top: Path) -> list[Session]:
    made = []
    for seed in SEEDS:
        folder = top / f"session-{seed}"
        if not (folder / "truth.json").exists():
            write_demo(folder, seconds=SECONDS, seed=seed)
        made.append(Session(folder))
    return made


def found_in(song: Song, mix: Path, scratch: Path) -> FoundBalance:
    return balance_of(song, read_mix(mix, song.rate, scratch), mix.name, -3.0, Progress())


def errors_of(found: FoundBalance, desk: Desk) -> dict[str, Any]:
    """Found less true: gains in dB against the reference, levels against their median, pans."""
    gains = {m.mic: m.found_db for m in found.mics}
    stays = desk.gains_db["dynamic"]
    mics = {m: gains[m] - (desk.gains_db[m] - stays) for m in MICS if m != "dynamic" and gains[m] is not None}  # type: ignore[operator]
    levels = {
        p.performance: p.found_db + (CENTRE_DB if p.bus == "centre" else 0.0) - desk.levels_db[p.performance]
        for p in found.performances
        if p.found_db is not None
    }
    middle = statistics.median(levels.values())
    pans = {
        p.performance: p.found_pan - desk.pans[p.performance] for p in found.performances if p.found_pan is not None
    }
    return {
        "explained": found.explained,
        "mics_db": mics,
        "lost": sum(m.found_db is None for m in found.mics) + sum(p.found_db is None for p in found.performances),
        "levels_db": {name: level - middle for name, level in levels.items()},
        "pans": pans,
        "within_2_sd": sum(abs(mics[m.mic]) <= 2.0 * (m.sure_db or 0.0) for m in found.mics if m.mic in mics),
    }


def right_files(top: Path, made: list[Session], count: int, done: set[int]) -> Iterator[dict[str, Any]]:
    """One mix after the other, session by session, as one preparation serves all mixes of its tracks; those that are
    `done` are left out."""
    for number, session in enumerate(made):
        with prepare(RECIPE, session.folder) as ready:
            for seed in sorted(set(range(number, count, len(made))) - done):
                desk = drawn(np.random.default_rng([seed, 9]), MICS, PERFORMANCES)
                mix = make_mix(top, session.tracks, desk, top / "right", seed=seed)
                row = {"seed": seed, **errors_of(found_in(ready.song, mix, top), desk)}
                print(f"mix {seed}: {json.dumps(row)}", flush=True)
                yield row


def wrong_files(top: Path, made: list[Session], count: int) -> Iterator[dict[str, Any]]:
    """What each is, and whether it was refused."""
    sides, rest = ("left_a", "right_a"), ("left_b", "right_b", "centre")
    only = [f"performances.{name}=null" for name in rest]
    kinds = ("another session", "other takes of the song", "the band alone", "backwards")
    for number in range(count):
        kind, session, other = kinds[number % 4], made[number % 3], made[(number + 1) % 3]
        desk = drawn(np.random.default_rng([number, 10]), MICS, PERFORMANCES)
        tracks = session.of(rest) if kind == "other takes of the song" else session.tracks
        tracks = other.tracks if kind == "another session" else tracks
        mix = make_mix(top, tracks, desk, top / "wrong", seed=number)
        if kind == "the band alone":
            mix = top / "band_alone.flac"
            soundfile.write(mix, 0.3 * drums_and_bass(number, SECONDS, 48_000).T, 48_000)
        if kind == "backwards":
            mix = _backwards(mix)
        settings = only if kind == "other takes of the song" else []
        with prepare(RECIPE, session.folder, settings=settings) as ready:
            assert kind != "other takes of the song" or {p.name for p in ready.song.performances} == set(sides)
            try:
                explained: float | None = found_in(ready.song, mix, top).explained
                refused = False
            except UserError as error:
                explained, refused = None, error.problems[0].slug == "like-not-these"
                print(error.problems[0].line())
        row = {"kind": kind, "refused": refused, "explained": explained}
        print(f"wrong {number}: {row}", flush=True)
        yield row


def _backwards(mix: Path) -> Path:
    samples, rate = soundfile.read(mix)
    soundfile.write(mix.with_name("backwards.flac"), samples[::-1], rate)
    return mix.with_name("backwards.flac")


def costs(top: Path, runs: int) -> dict[str, Any]:
    """CPU seconds of whole commands, 15 tracks of 4 minutes."""
    size = Size(240.0, 48_000, 3)
    tracks = top / "long"
    make_session(tracks, size)
    recipe = top / "long.yaml"
    write_sized_recipe(recipe, size)
    files = {(name, mic): tracks / f"{name}_{mic}.wav" for name in size.names() for mic in MICS}
    desk = drawn(np.random.default_rng(5), MICS, size.names())
    mix = make_mix(top, files, desk, top / "long_mix", seed=5)
    premix = [sys.executable, "-c", "from premix.cli.main import entry; entry()"]
    commands = {
        "align": [*premix, "align", str(recipe), str(tracks)],
        "render": [*premix, "render", str(recipe), str(tracks), "--out", str(top / "out"), "--force", "--fresh"],
        "balance --like": [*premix, "balance", str(recipe), str(tracks), "--like", str(mix)],
        "balance --out": [*premix, "balance", str(recipe), str(tracks), "--out", str(top / "page.html")],
    }
    return {name: medians(found).cpu_s for name, found in interleaved(commands, runs).items()}


def summary(document: dict[str, Any]) -> dict[str, Any]:
    """The figures that are told."""
    told: dict[str, Any] = {}
    if rows := document.get("right"):
        every = {
            mic: [row["mics_db"][mic] for row in rows if mic in row["mics_db"]] for mic in MICS if mic != "dynamic"
        }
        told["close_rms_db"] = _rms([value for mic in CLOSE for value in every[mic]])
        told |= {f"{mic}_rms_db": _rms(values) for mic, values in every.items()}
        told["levels_rms_db"] = _rms([value for row in rows for value in row["levels_db"].values()])
        told["worst_pan"] = max(abs(value) for row in rows for value in row["pans"].values())
        told["least_explained"] = min(row["explained"] for row in rows)
        told["lost"] = sum(row["lost"] for row in rows)
        told["within_2_sd"] = sum(row["within_2_sd"] for row in rows) / sum(len(row["mics_db"]) for row in rows)
        told["mixes"] = len(rows)
    if rows := document.get("wrong"):
        told["refused"], told["wrong"] = sum(row["refused"] for row in rows), len(rows)
    if cost := document.get("cpu_s"):
        told["like_against_render"] = cost["balance --like"] / cost["render"]
        told["page_over_align_s"] = cost["balance --out"] - cost["align"]
    return told


def _rms(values: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mixes", type=int, default=30)
    parser.add_argument("--wrong", type=int, default=WRONG)
    parser.add_argument("--runs", type=int, default=3, help="of each command whose cost is told")
    parser.add_argument("--only", choices=["right", "wrong", "cost"])
    parser.add_argument("--go-on", action="store_true", help="keep the mixes that the stored run has")
    parser.add_argument("--folder", type=Path, help="where sessions are kept for the next run")
    options = parser.parse_args()
    found: dict[str, Any] = {}
    with tempfile.TemporaryDirectory(prefix="premix-balance-") as temporary:
        top = options.folder or Path(temporary)
        top.mkdir(parents=True, exist_ok=True)
        if options.only != "cost":
            made = sessions(top)
            if options.only != "wrong":
                kept = _stored().get("right", []) if options.go_on else []
                found["right"] = list(kept)
                for row in right_files(top, made, options.mixes, {row["seed"] for row in kept}):
                    found["right"].append(row)
                    _store(found)
            if options.only != "right":
                found["wrong"] = list(wrong_files(top, made, options.wrong))
        if options.only in (None, "cost"):
            found["cpu_s"] = costs(top, options.runs)
    for name, value in _store(found)["figures"].items():
        print(f"{name:24s} {value:.4g}")


def _stored() -> dict[str, Any]:
    """What is kept of earlier runs; nothing where there was none."""
    found: dict[str, Any] = json.loads(RESULTS.read_text("utf-8")) if RESULTS.exists() else {}
    return found


def _store(found: dict[str, Any]) -> dict[str, Any]:
    """Keep what was found, in the place of the same parts of earlier runs."""
    document = _stored() | found
    document |= {"versions": versions(), "figures": summary(document)}
    RESULTS.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    return document


if __name__ == "__main__":
    main()
