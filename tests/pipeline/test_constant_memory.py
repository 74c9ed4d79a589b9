"""Peak memory of a render does not grow with the song."""

import subprocess
import sys
from pathlib import Path

import numpy as np

from tests.rigs.sessions import Song, riff, write_song

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
    return peak_of(write_song(folder, RECIPE, {"left_dynamic": take, "left_room": 0.5 * np.roll(take, 400)}, RATE))


def peak_of(song: Song) -> float:
    """Peak resident memory in MB of the song's render as a process of its own."""
    words = [MEASURED, "render", song.recipe, song.tracks, "--out", song.out(), "--no-report"]
    done = subprocess.run([sys.executable, "-c", *map(str, words)], capture_output=True, text=True, check=True)
    code, kilobytes = done.stdout.split()
    assert code == "0"
    return int(kilobytes) / 1024.0


def test_sixty_four_mics_of_one_performance_fit_into_300_mb(tmp_path: Path) -> None:
    """Every pair of them at every level would need 14 GB."""
    take = riff(1, 2 * 48000, 48000)
    recipe = (
        "format: 1\nmics: {" + ", ".join(f"m{m}: {{}}" for m in range(64)) + "}\nperformances: {left: {bus: left}}\n"
    )
    song = write_song(tmp_path, recipe, {f"left_m{m}": (1 - m / 100) * np.roll(take, m) for m in range(64)})
    assert peak_of(song) < 300.0


def test_a_song_five_times_as_long_needs_no_more_memory(tmp_path: Path) -> None:
    """Equal within 10 %: what grows with the song is the key envelope, and it is on the disk."""
    short, long = peak_mb(tmp_path / "short", 15), peak_mb(tmp_path / "long", 75)
    assert long < 1.1 * short
    assert long < 200.0
