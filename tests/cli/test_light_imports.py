"""Commands load the heavy libraries that they need and no others, and no threads of theirs."""

import os
import subprocess
import sys

import pytest

from tests.rigs.sessions import Song

REPORT = {"matplotlib", "jinja2"}
NEVER = {"scipy.signal", "scipy.fft", "pedalboard", "distributed", "soxr", "pyloudnorm", *REPORT}
"""scipy.signal alone costs 0.7 s of CPU time and 70 MB."""


def loaded(*arguments: object) -> set[str]:
    """The modules in memory after a command in a fresh interpreter; it must end with 0."""
    program = (
        "import sys; from premix.cli.main import run; code = run(sys.argv[1:]);"
        "print(code, *sys.modules, file=sys.stderr)"
    )
    command = [sys.executable, "-c", program, *map(str, arguments)]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stderr
    code, *modules = said.splitlines()[-1].split()
    assert code == "0"
    return set(modules)


@pytest.mark.parametrize("command", ["inspect", "align", "render"])
def test_a_plain_song_needs_no_heavy_library(command: str, song: Song) -> None:
    """WAV without chains: samples are bytes, filters are scipy's compiled loop without its package."""
    more = ["--out", song.out("new"), "--no-report"] if command == "render" else []
    assert loaded(command, song.recipe, song.tracks, *more) & NEVER == set()


@pytest.mark.parametrize("own", [None, "3"])
def test_numpy_starts_no_threads_whatever_it_is_told(own: str | None) -> None:
    """The threads of a linear-algebra library wait by spinning, and change the last digits of sums."""
    program = (
        "import os, sys; from premix.cli.main import entry; sys.argv = ['premix', '--version']\n"
        "try: entry()\n"
        "finally: print(os.environ['OPENBLAS_NUM_THREADS'])"
    )
    environment = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    environment |= {"OPENBLAS_NUM_THREADS": own} if own is not None else {}
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, env=environment)
    assert done.stdout.split()[-1] == "1"
