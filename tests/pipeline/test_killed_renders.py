"""`premix render` killed (SIGKILL) at any moment: OUT is the old or the new one, whole, and the next run clears up."""

import hashlib
import os
import random
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.conftest import Demo
from tests.rigs.sessions import Song, manifest_of

KILLS = 20


class Renders:
    """Renders of one song into one OUT, each with its own level, so that old and new can be told apart."""

    def __init__(self, song: Song, top: Path) -> None:
        self._song, self.out, self.temporary = song, top / "work" / "out", top / "temporary"
        self.temporary.mkdir()
        self.started = 0

    def start(self, *options: str) -> subprocess.Popen[bytes]:
        """The next render, from the start of its interpreter on."""
        self.started += 1
        command = [
            sys.executable,
            "-m",
            "premix",
            "render",
            self._song.recipe,
            self._song.tracks,
            "--out",
            self.out,
            "--force",
            "--set",
            f"mics.dynamic.gain_db=-{self.started}",
            *options,
        ]
        environment = os.environ | {"TMPDIR": str(self.temporary), "OPENBLAS_NUM_THREADS": "1"}
        return subprocess.Popen([str(word) for word in command], stderr=subprocess.DEVNULL, env=environment)

    def finish(self) -> float:
        """The next render, to its end; how long it took, in seconds."""
        began = time.monotonic()
        assert self.start("--no-report").wait(timeout=120) == 0
        assert self.delivered() == self.started
        return time.monotonic() - began

    def delivered(self) -> int:
        """Which render lies in OUT; fails where a file is missing, is too many or holds other samples than stated."""
        manifest = manifest_of(self.out)
        there = {path.relative_to(self.out).as_posix() for path in self.out.rglob("*") if path.is_file()}
        assert there == set(manifest["written"])
        for entry in manifest["files"]:
            left_justified = soundfile.read(self.out / entry["path"], dtype="int32", always_2d=True)[0]
            packed = np.ascontiguousarray(left_justified).view(np.uint8).reshape(-1, 4)[:, 1:]  # 24 of 32 bits
            assert hashlib.sha256(packed.tobytes()).hexdigest() == entry["sha256"]
        return -round(float(manifest["recipe"]["merged"]["mics"]["dynamic"]["gain_db"]))

    def left_behind(self) -> list[str]:
        """What lies beside OUT and where the system keeps temporary files."""
        return sorted(p.name for place in (self.out.parent, self.temporary) for p in place.iterdir() if p != self.out)


@pytest.fixture
def renders(demo: Demo, tmp_path: Path) -> Renders:
    """For the short demo session of ten tracks; nothing rendered yet."""
    return Renders(demo.song, tmp_path)


@pytest.mark.tools("posix")
def test_kill_9_at_20_random_moments_of_a_whole_render(renders: Renders) -> None:
    """From the start of the process to its end, each moment in its own twentieth of the time a render takes.

    Every file of OUT is held against the hash in OUT's own manifest.
    """
    dice, takes = random.Random(20), min(renders.finish() for _ in range(2))  # the first may compile modules
    killed_at_work = traces = 0
    for twentieth in range(KILLS):
        before = renders.delivered()
        with renders.start("--no-report") as process:
            time.sleep(takes * (twentieth + dice.random()) / KILLS)
            process.kill()
        after = renders.delivered()
        assert after in (before, renders.started)
        killed_at_work += after == before
        traces += bool(renders.left_behind())
    assert killed_at_work > KILLS / 2 and traces > KILLS / 4  # there was something to mend
    renders.finish()
    assert renders.left_behind() == []


@pytest.mark.tools("posix")
def test_kill_9_while_the_page_is_made(renders: Renders) -> None:
    """Its clips are files for a moment; a first render, so that there is no OUT before and none after."""
    clips = renders.out.with_name(".premix-new-out")
    with renders.start() as process:
        while not any(clips.rglob("tmp*/*.flac")):
            assert process.poll() is None, "there were no clips"
            time.sleep(0.002)
        process.kill()
    assert not renders.out.exists()
    renders.finish()
    assert renders.left_behind() == []
