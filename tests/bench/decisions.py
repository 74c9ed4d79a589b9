"""A session's decisions, for the programs that only mix: `python -m tests.bench.decisions FOLDER`."""

import json
import pickle
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from premix.delivery.file_names import file_names
from premix.gate.rooms import decide_gates
from premix.mixdown.plan import parts_of, plan_mix
from premix.model.mix import MicPath, MixPlan
from premix.model.song import NOT_YET, Song
from premix.pipeline import prepare
from tests.bench.size import TRACKS


def decide(folder: Path) -> None:
    """Decide as `premix render` does; writes `mix.json`, plain, and `stage.pickle`, premix's own records."""
    with prepare(folder / "recipe.yaml", folder / TRACKS) as prepared:
        song = decide_gates(prepared.song)
        plan = plan_mix(song)
    parts = parts_of(plan, song.deliver)
    names = file_names(parts, song.name, song.deliver.name, song.deliver.format)
    (folder / "mix.json").write_text(json.dumps(_plain(plan, names), indent=1), encoding="utf-8")
    (folder / "stage.pickle").write_bytes(pickle.dumps((plan, parts, names, _light(song))))


def _light(song: Song) -> Song:
    """The song without what was read of its tracks: the programs only write files after it."""
    performances = (replace(p, spectra=NOT_YET, envelopes=NOT_YET) for p in song.performances)
    return replace(song, performances=tuple(performances))


def _plain(plan: MixPlan, names: dict[str, str]) -> dict[str, Any]:
    return {
        "rate": plan.rate,
        "frames": plan.frames,
        "names": names,
        "performances": [
            {
                "name": p.performance,
                "bus": p.bus,
                "gain": p.gain,
                "close": [_mic(path) for path in p.close],
                "room": next(_mic(path) for path in p.rooms),
            }
            for p in plan.performances
        ],
        "buses": {b.name: {"gain": b.gain, "left": b.left, "right": b.right} for b in plan.buses},
    }


def _mic(path: MicPath) -> dict[str, Any]:
    curve = path.curve
    return {
        "path": str(path.track.header.path),
        "gain": path.polarity * path.gain,
        "delay_samples": path.delay_samples,
        "low_pass_hz": path.low_pass_hz,
        "curve": None if curve is None else [curve.positions.tolist(), curve.gains_db.tolist()],
    }


if __name__ == "__main__":
    decide(Path(sys.argv[1]))
