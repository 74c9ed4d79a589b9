"""Programs as whole processes: CPU seconds, wall seconds, peak memory; interleaved, medians."""

import os
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from statistics import median

ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
"""premix sets it by itself; to the others, idle threads of BLAS would only cost time."""


@dataclass(frozen=True, slots=True)
class Cost:
    """Of one whole process and its children. cpu_s: user and system. peak_mb: of the largest one, in MB (10^6)."""

    cpu_s: float
    wall_s: float
    peak_mb: float


def run(command: Sequence[str]) -> Cost:
    """Run a command to its end. RuntimeError with what it said when it fails."""
    environment = {**os.environ, **ONE_THREAD}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed package has its bytecode
    started = time.perf_counter()
    child = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, env=environment
    )
    assert child.stdout is not None
    said = child.stdout.read()
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise RuntimeError(f"{' '.join(command)[:200]}: exit {child.returncode}\n{said.decode(errors='replace')}")
    unit = 1 if sys.platform == "darwin" else 1024
    return Cost(usage.ru_utime + usage.ru_stime, time.perf_counter() - started, usage.ru_maxrss * unit / 1e6)


def interleaved(programs: Mapping[str, Sequence[str]], runs: int) -> dict[str, list[Cost]]:
    """Every program `runs` times, in turn, after one run of the first that warms the page cache."""
    run([sys.executable, "-m", "compileall", "-q", "premix", "tests/bench"])
    run(next(iter(programs.values())))
    costs: dict[str, list[Cost]] = {name: [] for name in programs}
    for _ in range(runs):
        for name, command in programs.items():
            costs[name].append(run(command))
    return costs


def medians(costs: Sequence[Cost]) -> Cost:
    """Median of each figure."""
    values = [asdict(cost) for cost in costs]
    return Cost(**{key: median(v[key] for v in values) for key in values[0]})


def ratio(costs: Sequence[Cost], against: Sequence[Cost]) -> float:
    """Median of the ratios of CPU time, run by run: what slows one round down slows both."""
    return median(a.cpu_s / b.cpu_s for a, b in zip(costs, against, strict=True))
