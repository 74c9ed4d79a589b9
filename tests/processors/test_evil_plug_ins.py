"""Plug-ins that mean harm, or are broken enough to do it: what they see, what they may take, and how they end."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import psutil
import pytest

from premix.errors import RecipeError
from premix.processors import plug_in_process
from premix.processors.plug_in import ROW
from premix.processors.plug_in_process import sweep_work_folders

from .driving import drive, noise, step
from .stand_in_plug_in import EVIL_LATER, EVIL_LOADING

pytestmark = [pytest.mark.usefixtures("stand_in"), pytest.mark.tools("posix")]


def refusal(name: str, **more: object) -> str:
    """The one line that a plug-in ends the run with."""
    with pytest.raises(RecipeError) as caught:
        drive(step("plug_in", file=f"{name}.vst3", **more), noise(1, 8 * ROW))
    (problem,) = caught.value.problems
    return problem.line()


def told(name: str) -> list[object]:
    """What the stand-in saw from inside."""
    line = refusal(name)
    found = re.search(r"cannot be loaded: (.*?); Check", line)
    assert found is not None, line
    seen: list[object] = json.loads(found[1])
    return seen


def test_it_sees_no_environment_of_ours(monkeypatch: pytest.MonkeyPatch) -> None:
    """A job's tokens stay with the job."""
    monkeypatch.setenv("CI_JOB_TOKEN", "secret")
    monkeypatch.setenv("PYTHONPATH", os.environ.get("PYTHONPATH", "."))
    names = set(map(str, told("tells_environment")))
    assert "PATH" in names
    assert names <= {*plug_in_process._KEPT, "PATH", "TMPDIR", "TEMP", "TMP", "OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"}


def test_it_inherits_no_open_files(tmp_path: Path) -> None:
    """Also where ours are marked to be inherited: its own pipes, a null device, and what looks at that folder."""
    with (tmp_path / "open").open("w") as file:
        os.set_inheritable(file.fileno(), True)
        assert len(told("tells_files")) <= 6
        assert str(file.fileno()) not in told("tells_files") or file.fileno() < 6


def test_it_stands_in_an_empty_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Which is gone afterwards; two of them never share one."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mine").touch()
    place, inside = told("tells_folder")
    again, _ = told("tells_folder")
    assert inside == [] and place != str(tmp_path) and place != again
    assert not Path(str(place)).exists()


def test_modules_in_the_current_folder_are_not_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A json.py beside the tracks runs in nobody's process, nor one that PYTHONPATH leads to."""
    for name in ("json", "sitecustomize", "numpy", "pedalboard"):
        (tmp_path / f"{name}.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'w')\nraise SystemExit(3)\n")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    file, paths = told("tells_modules")
    assert Path(str(file)).parent.name == "json"
    assert paths == []
    assert not (tmp_path / "ran").exists()


@pytest.mark.parametrize(
    "name",
    [
        "endless_line",
        "huge_latency",
        "negative_latency",
        "wordy_latency",
        "no_answer_at_all",
        "nested_answer",
        "huge_shape",
        "hungry_loading",
        "hungry_later",
        "fills_the_disk",
    ],
)
def test_what_it_answers_and_takes_is_bounded(name: str) -> None:
    """One line; this process does not grow, and no other is left."""
    before = psutil.Process().memory_info().rss
    line = refusal(name, memory_limit_mb=400, time_limit_s=20)
    assert line.endswith(("[plug-in-crashed]", "[plug-in-refused]")), line
    assert psutil.Process().memory_info().rss - before < 50_000_000
    assert not [child for child in psutil.Process().children(recursive=True) if _is_ours(child.pid)]


def test_memory_ends_at_the_limit() -> None:
    """Not before it: a plug-in that needs 300 MB gets them where 1000 are allowed."""
    assert "400 MB" in refusal("hungry_later", memory_limit_mb=400)


def test_what_it_started_ends_with_it() -> None:
    """A child of its own is of its group."""
    before = set(psutil.pids())
    drive(step("plug_in", file="leaves_a_child.vst3"), noise(1, 8 * ROW))
    _gone(lambda: {p for p in set(psutil.pids()) - before if _is_ours(p)})


@pytest.mark.parametrize("name", ["spins_loading", "spins_later", "sleeps_later"])
def test_one_that_hangs_does_not_outlive_a_killed_premix(name: str, tmp_path: Path) -> None:
    """kill -9 while it burns a core and never gives the interpreter back: the kernel ends it with its parent."""
    script = (
        "from premix.processors import plug_in_process\n"
        "plug_in_process.worker_module = lambda: 'tests.processors.stand_in_plug_in'\n"
        "from tests.processors.driving import drive, noise, step\n"
        "print('begun', flush=True)\n"
        f"drive(step('plug_in', file='{name}.vst3', time_limit_s=600), noise(1, 65536))\n"
    )
    environment = os.environ | {"TMPDIR": str(tmp_path)}
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, env=environment) as premix:
        assert premix.stdout is not None and premix.stdout.readline() == b"begun\n"
        end = time.monotonic() + 60
        while not (workers := _busy(premix.pid, name)):
            assert time.monotonic() < end and premix.poll() is None
            time.sleep(0.02)
        premix.send_signal(signal.SIGKILL)
    _gone(lambda: [w for w in workers if w.is_running() and w.status() != psutil.STATUS_ZOMBIE])
    left = list(tmp_path.glob("premix-plug-in-*"))
    assert left  # nobody was there to clear up
    for folder in left:
        os.utime(folder, (0, 0))
    sweep_work_folders(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_the_folder_of_a_living_one_is_not_swept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However old it is."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    held = plug_in_process.PlugInProcess(10**9, 10.0)
    try:
        (folder,) = tmp_path.iterdir()
        os.utime(folder, (0, 0))
        sweep_work_folders(tmp_path)
        assert folder.exists()
    finally:
        held.close()
    assert list(tmp_path.iterdir()) == []


def _busy(parent: int, name: str) -> list[psutil.Process]:
    """The workers of a process, once one is at it."""
    workers = psutil.Process(parent).children(recursive=True)
    at_it = [w for w in workers if name.startswith("sleeps") or w.cpu_times().user > 0.6]
    enough = len(workers) >= (1 if name.endswith("loading") else 2)
    return workers if at_it and enough else []


def _is_ours(pid: int) -> bool:
    try:
        process = psutil.Process(pid)
        return process.status() != psutil.STATUS_ZOMBIE and "stand_in_plug_in" in " ".join(process.cmdline())
    except psutil.Error:
        return False


def _gone(left: Callable[[], object]) -> None:
    """Wait until nothing is left."""
    end = time.monotonic() + 10
    while left():
        assert time.monotonic() < end, left()
        time.sleep(0.02)


def test_every_evil_one_is_tried_here() -> None:
    """The stand-in knows none that no test plays."""
    text = Path(__file__).read_text("utf-8")
    assert all(name in text for name in (*EVIL_LOADING, *EVIL_LATER))
