"""How many songs fit into the machine at once: its cores and its free memory."""

import os
from pathlib import Path

SONG_BYTES = 300_000_000
"""Memory of one render: what it may need at most with its report, whatever the song's length."""
_TO_SPARE = 0.9
_MEMINFO = Path("/proc/meminfo")
_CGROUP = Path("/sys/fs/cgroup")


def cores() -> int:
    """Cores that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)
    return len(affinity(0)) if affinity else os.cpu_count() or 1


def fitting_jobs(free_bytes: int | None) -> int | None:
    """Songs that may be rendered at once in so much memory, at least one; None where it is not known."""
    return None if free_bytes is None else max(1, int(free_bytes * _TO_SPARE) // SONG_BYTES)


def free_bytes(meminfo: Path = _MEMINFO, cgroup: Path = _CGROUP) -> int | None:
    """Memory that is free for programs, under the limit of the container if there is one; None: not known.

    MemAvailable of proc(5); memory.max, memory.current and memory.stat of the kernel's control groups, version 2.
    """
    found = [size for size in (_available(meminfo), _left_in_group(cgroup)) if size is not None]
    return min(found, default=None)


def _available(meminfo: Path) -> int | None:
    try:
        lines = meminfo.read_text().splitlines()
        return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("MemAvailable:"))
    except (OSError, StopIteration, ValueError, IndexError):
        return None


def _left_in_group(cgroup: Path) -> int | None:
    try:
        limit = (cgroup / "memory.max").read_text().strip()
        if limit == "max":
            return None
        used = int((cgroup / "memory.current").read_text())
        stat = dict(line.split() for line in (cgroup / "memory.stat").read_text().splitlines())
        return max(0, int(limit) - used + int(stat.get("inactive_file", 0)))  # cached files give way
    except (OSError, ValueError):
        return None
