"""Many short songs of one set-up: `python -m tests.bench.many_songs FOLDER SONGS SECONDS`.

A few demo sessions of two performances, ten tracks each, copied with other gains: synthesis would take longer than all
that is measured. From the middle on the ribbon stands 5 mm further away, which the album has to tell, once.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from premix.demo.nudged import Nudge
from premix.demo.session import write_demo

SESSIONS = 3
"""Different riffs before the ribbon is moved, and as many after."""
PERFORMANCES = ("left_a", "right_a")
NUDGED, NUDGED_MM = "ribbon", 5.0
DOWN_DB = 4.0
"""Copies are softer by up to this much, all mics of a performance alike: nobody touched a preamp."""
RECIPE = """format: 1
mics:
  dynamic: {}
  condenser: {gain_db: -3}
  ribbon: {gain_db: -2}
  sub: {role: sub, gain_db: -8, low_pass_hz: 180}
  room: {role: room}
performances:
  left_a: {bus: left}
  right_a: {bus: right}
"""


def name_of(number: int) -> str:
    """Of a song, from 1."""
    return f"song_{number:03d}"


def make_songs(folder: Path, songs: int, seconds: float) -> None:
    """`recipe.yaml`, and the tracks of every song in a folder of its own in `album`, 24-bit WAV."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "recipe.yaml").write_text(RECIPE, "utf-8")
    nudges = [Nudge(NUDGED, NUDGED_MM, SESSIONS + 1)]
    with tempfile.TemporaryDirectory(dir=folder) as scratch:
        sessions = [Path(scratch) / str(song) for song in range(1, 2 * SESSIONS + 1)]
        for song, session in enumerate(sessions, 1):
            write_demo(session, seconds=seconds, performances=PERFORMANCES, song=song, nudges=nudges)
        for number in range(1, songs + 1):
            late = SESSIONS if 2 * (number - 1) >= songs else 0
            _copy(sessions[late + number % SESSIONS], folder / "album" / name_of(number), number)


def _copy(session: Path, song: Path, seed: int) -> None:
    song.mkdir(parents=True)
    down = np.random.default_rng(seed).uniform(0.0, DOWN_DB, len(PERFORMANCES))
    for performance, down_db in zip(PERFORMANCES, down, strict=True):
        for path in sorted(session.glob(f"{performance}_*.wav")):
            samples, rate = soundfile.read(path)
            soundfile.write(song / path.name, samples * 10.0 ** (-down_db / 20.0), rate, subtype="PCM_24")


if __name__ == "__main__":
    make_songs(Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]))
