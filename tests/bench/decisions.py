"""A session's decisions, for the programs that only mix: `python -m tests.bench.decisions FOLDER`."""

import json
import pickle
import sys
from pathlib import Path
from typing import Any

from premix.delivery.names import file_names
from premix.gate.rooms import decide_gates
from premix.mixdown.plan import parts_of, plan_mix
from premix.model.mix import MicPath, MixPlan
from premix.pipeline import prepare
from tests.bench.size import TRACKS


def decide(folder: Path) -> None:
    """Decide as `premix render` does; writes `mix.json`, plain, and `stage.pickle`, premix's own records."""
    with prepare(folder / "recipe.yaml", folder / TRACKS) as prepared:
        merged = prepared.merged.recipe
        gating = decide_gates(merged, prepared.tracks, prepared.analysis, prepared.alignment)
        plan = plan_mix(merged, prepared.tracks, prepared.alignment, gating)
        parts = parts_of(plan, merged.deliver)
        names = file_names(parts, prepared.tracks.song, merged.deliver.name, merged.deliver.format)
    (folder / "mix.json").write_text(json.dumps(_plain(plan, names), indent=1), encoding="utf-8")
    (folder / "stage.pickle").write_bytes(pickle.dumps((plan, parts, names, gating, prepared.tracks, merged.deliver)))


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
        "gain": path.gain,
        "delay_samples": path.delay_samples,
        "low_pass_hz": path.low_pass_hz,
        "curve": None if curve is None else [curve.positions.tolist(), curve.gains_db.tolist()],
    }


if __name__ == "__main__":
    decide(Path(sys.argv[1]))
