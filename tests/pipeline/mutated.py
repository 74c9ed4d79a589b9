"""Run by the tests as a process of its own: `premix inspect` on 500 mutated files, its outcomes as JSON.

python -m tests.pipeline.mutated headers|recipes FOLDER
"""

import contextlib
import faulthandler
import io
import json
import random
import sys
import time
from pathlib import Path

from premix.cli.main import run
from premix.messages import REMEDIES
from tests.audio.recordings import integers, record
from tests.audio.test_header_faults import KINDS, mutate

CASES = 500
PATIENCE_S = 5.0
RECIPE = """\
format: 1
song: Mutated
mics:
  dynamic: {gain_db: 0}
  ribbon: {gain_db: -3, polarity: auto, delay: {ms: 0.1}, chain: [{high_pass: {cutoff_hz: 80}}]}
  room: {role: room, gain_db: -12}
performances:
  left: {bus: left, mics: {ribbon: {mute: true}}}
gate: {threshold_db: auto, hold_ms: 40}
buses:
  left: {pan: -1}
deliver: {files: [stems, buses], bits: 16, ceiling_dbtp: -1}
limits: {sum_efficiency_db: -1.5}
"""
MICS = ("dynamic", "ribbon", "room")
PIECES = (
    "{",
    "}",
    "[",
    "]",
    ": ",
    ",",
    "\n",
    "  ",
    "\t",
    "- ",
    "&a ",
    "*a",
    "!x ",
    "'",
    '"',
    "#",
    "|",
    "~",
    "null",
    "true",
    ".nan",
    "1e999",
    "-3",
    "010",
    "1:30",
    "? ",
    "<<",
    "---\n",
    "%",
    "\0",
    "é",
    "\U0001f39b",
    "[" * 3000,
    "0",
    "1",
    "2",
    "5",
    "9",
    " ",
    " # ",
)


def mutated_recipe(dice: random.Random) -> bytes:
    """Pieces put in over what stood there, bits of bytes turned, or the end cut off."""
    text = RECIPE
    for _ in range(dice.randint(1, 3)):
        at = dice.randrange(len(text))
        text = text[:at] + dice.choice(PIECES) + text[at + dice.choice((0, 0, 1, 1, 2, 9)) :]
    raw = bytearray(text.encode())
    if dice.random() < 0.2:
        raw[dice.randrange(len(raw))] ^= 1 << dice.randrange(8)
    return bytes(raw[: dice.randrange(len(raw))] if dice.random() < 0.1 else raw)


def inspect(folder: Path, *options: str) -> tuple[str, ...]:
    """Slugs of what the command refuses, () where it accepts.

    A traceback, a hang, or a line without its slug ends this process.
    """
    said = io.StringIO()
    faulthandler.dump_traceback_later(PATIENCE_S, exit=True)
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(io.StringIO()):
        code = run(["inspect", str(folder / "recipe.yaml"), str(folder / "tracks"), *options])
    faulthandler.cancel_dump_traceback_later()
    lines = said.getvalue().splitlines()
    assert code in (0, 1), said.getvalue()
    if code == 0:
        return ()
    slugs = tuple(line.rpartition("[")[2].rstrip("]") for line in lines)
    assert slugs and set(slugs) <= set(REMEDIES) and all(map(str.isprintable, lines)), lines
    return slugs


def main(kind: str, folder: Path) -> None:
    """Mutate and inspect; the counts, the longest time and the peak of memory go to standard output."""
    (folder / "recipe.yaml").write_text(RECIPE, "utf-8")
    (folder / "tracks").mkdir()
    for number, mic in enumerate(MICS):
        record(folder / "tracks" / f"left_{mic}.wav", integers(3000, seed=number))
    assert inspect(folder) == ()
    counts, slowest, told = {"accepted": 0, "refused": 0}, 0.0, set[str]()
    for case in range(CASES):
        dice = random.Random(f"{kind} {case}")
        if kind == "headers":
            container, subtype, channels = KINDS[case % len(KINDS)]
            whole = record(folder / "whole", integers(3000).repeat(channels, axis=1), subtype, container)
            (folder / "tracks" / "left_dynamic.wav").write_bytes(mutate(whole.read_bytes(), dice))
        else:
            (folder / "recipe.yaml").write_bytes(mutated_recipe(dice))
        began = time.monotonic()
        slugs = inspect(folder)
        slowest = max(slowest, time.monotonic() - began)
        counts["refused" if slugs else "accepted"] += 1
        told |= set(slugs)
        if slugs and kind == "headers":
            inspect(folder, "--recover")
    print(json.dumps({**counts, "slugs": sorted(told), "slowest_s": slowest, "peak_bytes": peak_bytes()}))


def peak_bytes() -> int:
    """What the kernel says of this process alone; getrusage would count the memory of the test as well."""
    lines = Path("/proc/self/status").read_text("ascii").splitlines()
    return 1024 * next(int(line.split()[1]) for line in lines if line.startswith("VmHWM"))


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
