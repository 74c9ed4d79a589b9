"""The mix as a sox script and as an ffmpeg filter graph; both do less work than premix, as said in `LESS`."""

import json
import shlex
from collections.abc import Iterable
from pathlib import Path
from typing import Any

LESS = {
    "sox script": "whole-sample delays, gate hears the room itself, buses are read back from 24-bit stems",
    "ffmpeg filter graph": "whole-sample delays, keyed gate without lookahead, hysteresis and hold; 32-bit floats",
    "pedalboard a track": "whole-sample delays, gate hears the room itself; 32-bit floats",
}


def sox_script(decisions: Path, out: Path) -> str:
    """A shell script: a sox a stem, a room, a bus, and one for the guitar bus."""
    mix = json.loads((decisions / "mix.json").read_text())
    latest, files = _latest(mix), {part: out / name for part, name in mix["names"].items()}
    lines = ["set -e", "mkdir -p " + _words({path.parent for path in files.values()})]
    for p in mix["performances"]:
        name, close, room = p["name"], p["close"], p["room"]
        late = _words(f"{round(latest - mic['delay_samples'])}s" for mic in close)
        voices = ",".join(f"{k + 1}v{mic['gain'] * p['gain']:.9f}" for k, mic in enumerate(close))
        lines.append(f"sox -M {_paths(close)} -D -b 24 {_words([files[f'stem_{name}']])} delay {late} remix {voices}")
        late_room, gain = round(latest - room["delay_samples"]), room["gain"] * p["gain"]
        lines.append(
            f"sox -D {_paths([room])} -b 24 {_words([files[f'room_{name}']])} delay {late_room}s "
            f"vol {gain:.9f} compand .002,.06 -120,-120,-51,-111,-50,-50 0 -90 .005"
        )
    for name, bus in mix["buses"].items():
        own = [p["name"] for p in mix["performances"] if p["bus"] == name]
        inputs = _words(
            word for p in own for part in ("stem", "room") for word in ("-v", bus["gain"], files[f"{part}_{p}"])
        )
        lines.append(f"sox -D -m {inputs} -b 24 {_words([files[f'bus_{name}']])}")
    inputs = _words(files[f"bus_{name}"] for name in mix["buses"])
    sides = _words(
        ",".join(f"{k + 1}v{bus[side]:.9f}" for k, bus in enumerate(mix["buses"].values()) if bus[side])
        for side in ("left", "right")
    )
    lines.append(f"sox -D -M {inputs} -b 24 {_words([files['guitars']])} remix {sides}")
    return "\n".join(lines) + "\n"


def ffmpeg_command(decisions: Path, out: Path) -> list[str]:
    """One ffmpeg process with one filter graph for all files."""
    mix = json.loads((decisions / "mix.json").read_text())
    latest, inputs, graph, number = _latest(mix), [], [], 0
    for p in mix["performances"]:
        labels = []
        for mic in (*p["close"], p["room"]):
            inputs += ["-i", mic["path"]]
            late, gain = round(latest - mic["delay_samples"]), mic["gain"] * p["gain"]
            sub = f",lowpass=f={mic['low_pass_hz']}" if mic["low_pass_hz"] else ""
            graph.append(f"[{number}]adelay={late}S{sub},volume={gain:.9f}:precision=float[m{number}]")
            labels.append(f"[m{number}]")
            number += 1
        name = p["name"]
        close = len(labels) - 1
        graph.append(f"{''.join(labels[:-1])}amix=inputs={close}:normalize=0,asplit=3[stem_{name}][b{name}][k{name}]")
        graph.append(
            f"{labels[-1]}[k{name}]sidechaingate=threshold=0.003:range=0.001:attack=2:release=60:ratio=9000,"
            f"asplit=2[room_{name}][g{name}]"
        )
    for name, bus in mix["buses"].items():
        own = "".join(f"[b{p['name']}][g{p['name']}]" for p in mix["performances"] if p["bus"] == name)
        count = 2 * sum(p["bus"] == name for p in mix["performances"])
        graph.append(
            f"{own}amix=inputs={count}:normalize=0,volume={bus['gain']:.9f}:precision=float,"
            f"asplit=2[bus_{name}][o{name}]"
        )
        graph.append(f"[o{name}]pan=stereo|c0={bus['left']:.9f}*c0|c1={bus['right']:.9f}*c0[p{name}]")
    panned = "".join(f"[p{name}]" for name in mix["buses"])
    graph.append(f"{panned}amix=inputs={len(mix['buses'])}:normalize=0[guitars]")
    outputs: list[str] = []
    for part, name in mix["names"].items():
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        outputs += ["-map", f"[{part}]", "-c:a", "pcm_s24le", str(out / name)]
    return ["ffmpeg", "-v", "error", "-y", *inputs, "-filter_complex", ";".join(graph), *outputs]


def _latest(mix: dict[str, Any]) -> float:
    return max(0.0, *(float(mic["delay_samples"]) for p in mix["performances"] for mic in (*p["close"], p["room"])))


def _paths(mics: list[dict[str, Any]]) -> str:
    return _words(mic["path"] for mic in mics)


def _words(words: Iterable[object]) -> str:
    return " ".join(shlex.quote(str(word)) for word in words)
