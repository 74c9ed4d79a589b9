"""Peak memory of a render does not grow with the song."""

import subprocess
import sys
from pathlib import Path

import numpy as np

from tests.rigs.sessions import riff, write_song

RATE = 16000
"""Low, to be quick: 60 s more of two tracks are 15 MB of floats, a fifth of what a run needs."""
RECIPE = """\
format: 1
mics:
  dynamic: {}
  room: {role: room}
performances: {left: {bus: left}}
deliver: {files: [stems, guitar_bus]}
"""


MEASURED = """\
import sys
from pathlib import Path
from premix.cli.main import run
code = run(sys.argv[1:])
lines = Path("/proc/self/status").read_text().splitlines()
print(code, next(line.split()[1] for line in lines if line.startswith("VmHWM")))
"""
"""The command line, and what the kernel says of its peak; getrusage would count the memory of the test as well."""


def peak_mb(folder: Path, seconds: int) -> float:
    """Peak resident memory in MB of a render as a process of its own, on a song of two tracks."""
    take = np.tile(riff(1, 15 * RATE, RATE), seconds // 15)
    song = write_song(folder, RECIPE, {"left_dynamic": take, "left_room": 0.5 * np.roll(take, 400)}, RATE)
    words = [MEASURED, "render", song.recipe, song.tracks, "--out", song.out(), "--no-report"]
    done = subprocess.run([sys.executable, "-c", *map(str, words)], capture_output=True, text=True, check=True)
    code, kilobytes = done.stdout.split()
    assert code == "0"
    return int(kilobytes) / 1024.0


def test_a_song_five_times_as_long_needs_no_more_memory(tmp_path: Path) -> None:
    """Equal within 10 %: what grows with the song is the key envelope, and it is on the disk."""
    short, long = peak_mb(tmp_path / "short", 15), peak_mb(tmp_path / "long", 75)
    assert long < 1.1 * short
    assert long < 200.0
