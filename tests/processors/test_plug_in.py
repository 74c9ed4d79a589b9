"""Plug-ins in a process of their own, played by a stand-in: latency, time limits, crashes, repeatability.

The stand-in speaks the worker's protocol and misbehaves by name; a real plug-in has a file of its own.
"""

import subprocess
from pathlib import Path

import numpy as np
import pytest

from premix.errors import Finding, RecipeError
from premix.processors import plug_in_process
from premix.processors.chains import RunningChain
from premix.processors.plug_in import ROW

from .driving import drive, noise, setting, step
from .stand_in_plug_in import LATE

pytestmark = pytest.mark.usefixtures("stand_in")


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list["subprocess.Popen[bytes]"]:
    """Every process that a test starts."""
    processes: list[subprocess.Popen[bytes]] = []

    class Noted(subprocess.Popen):  # type: ignore[type-arg]
        def __init__(self, *args: object, **options: object) -> None:
            super().__init__(*args, **options)  # type: ignore[call-overload]
            processes.append(self)

    monkeypatch.setattr(subprocess, "Popen", Noted)
    return processes


def findings(name: str, tmp_path: Path) -> tuple[Finding, ...]:
    """What is found once some rows have passed."""
    (tmp_path / f"{name}.vst3").touch()
    running = RunningChain((step("plug_in", file=str(tmp_path / f"{name}.vst3")),), setting())
    try:
        running.process(noise(1, 5 * ROW))
        return running.findings()
    finally:
        running.close()


def test_the_samples_come_back_in_32_bits() -> None:
    """Half the level, as the stand-in does, and nothing else."""
    signal = noise(2, 20_000)
    made = drive(step("plug_in", file="plain.vst3"), signal)
    assert np.array_equal(made, signal.astype(np.float32) * np.float32(0.5))


def test_the_reported_latency_is_taken_out() -> None:
    """A plug-in that is late by what it reports nulls against one that is not."""
    signal = noise(1, 20_000)
    late = drive(step("plug_in", file="late.vst3"), signal)
    assert np.array_equal(late, drive(step("plug_in", file="plain.vst3"), signal))
    running = RunningChain((step("plug_in", file="late.vst3"),), setting())
    running.close()
    assert running.latency_samples == ROW + LATE


def test_the_state_file_reaches_the_plug_in(tmp_path: Path) -> None:
    """The stand-in's state is its gain."""
    (tmp_path / "state").write_text("0.25")
    signal = noise(1, 9_000)
    made = drive(step("plug_in", file="plain.vst3", state=str(tmp_path / "state")), signal)
    assert np.array_equal(made, signal.astype(np.float32) * np.float32(0.25))


@pytest.mark.parametrize(
    ("name", "slug", "said"),
    [
        ("liar", "plug-in-latency", "a click came +50 samples off"),
        ("silent", "plug-in-latency", "did not come through"),
        ("random", "plug-in-not-reproducible", "different samples"),
    ],
)
def test_what_cannot_be_trusted_is_told(name: str, slug: str, said: str, tmp_path: Path) -> None:
    """A wrong latency, a click that is swallowed, two runs that differ: findings, not faults."""
    (finding,) = findings(name, tmp_path)
    assert (finding.slug, finding.severity, finding.subject) == (slug, "warning", "chain[0].plug_in")
    assert said in finding.message


@pytest.mark.parametrize("name", ["plain", "late"])
def test_an_honest_plug_in_gives_no_findings(name: str, tmp_path: Path) -> None:
    """Two runs agree, and the click arrives where it should."""
    assert findings(name, tmp_path) == ()


@pytest.mark.parametrize(
    ("name", "slug", "said"),
    [
        ("broken", "plug-in-refused", "cannot be loaded: unsupported format"),
        ("dies_loading", "plug-in-crashed", "crashed"),
        ("dies_later", "plug-in-crashed", "crashed"),
        ("short", "plug-in-crashed", "samples for"),
        ("sleeps_loading", "plug-in-too-slow", "did not answer within 3 s"),
        ("sleeps_later", "plug-in-too-slow", "did not answer within 3 s"),
        ("nan", "chain-not-finite", "the samples that come out are not finite"),
    ],
)
def test_a_plug_in_that_fails_stops_the_run_with_one_line(
    name: str, slug: str, said: str, started: list["subprocess.Popen[bytes]"]
) -> None:
    """One problem, at its step; no process is left, however it failed."""
    with pytest.raises(RecipeError) as caught:
        limit_s = 3.0 if name.startswith("sleeps") else 60.0
        drive(step("plug_in", file=f"{name}.vst3", time_limit_s=limit_s), noise(1, 8 * ROW))
    (problem,) = caught.value.problems
    assert (problem.slug, problem.where) == (slug, "chain[0].plug_in")
    assert said in problem.what
    assert started
    assert all(process.poll() is not None for process in started)


def test_closing_ends_the_processes(started: list["subprocess.Popen[bytes]"]) -> None:
    """Two of them while it runs, none after it."""
    running = RunningChain((step("plug_in", file="plain.vst3"),), setting())
    assert sum(process.poll() is None for process in started) == 2
    running.close()
    assert sum(process.poll() is None for process in started) == 0


def test_the_real_worker_refuses_what_is_no_plug_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The library's own worker, given a text file: one line, no crash."""
    monkeypatch.setattr(plug_in_process, "worker_module", lambda: plug_in_process.WORKER)
    (tmp_path / "text.vst3").write_text("no plug-in")
    with pytest.raises(RecipeError, match=r"cannot be loaded: .*\[plug-in-refused\]$"):
        drive(step("plug_in", file=str(tmp_path / "text.vst3")), noise(1, 100))
