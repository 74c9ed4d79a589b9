"""Tests that hold premix against programs from outside carry `@pytest.mark.tools("sox", ...)`.

On a machine without those programs the tests are left out and counted in the closing lines; where CI is set they must
be there, so a missing program fails the run instead of hiding a check. A package that has no wheels for this Python
counts as such a program, and is nowhere asked for then; so does "posix", for checks with kills, terminals and limits of
a process that Windows has no word for.
"""

import os
import shutil
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest

AXE_CORE = Path(__file__).parent / "report" / "node_modules" / "axe-core" / "axe.min.js"
"""Put there by `npm ci --prefix tests/report`."""

LAST_PYTHON = {"pyebur128": (3, 12)}
"""Packages among the tools, each with the last Python that it has wheels for."""

NEEDED_BY_FIXTURE = {"browser": ("chromium", "chromedriver")}
_left_out: dict[str, int] = {}


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out tests whose programs are missing, unless CI is set."""
    kept: list[pytest.Item] = []
    dropped: list[pytest.Item] = []
    for item in items:
        names = [name for mark in item.iter_markers("tools") for name in mark.args]
        for fixture, needed in NEEDED_BY_FIXTURE.items():
            names += needed if fixture in getattr(item, "fixturenames", ()) else ()
        missing = [name for name in names if not _is_there(name)]
        due = [name for name in missing if _could_be_there(name)]
        if due and os.environ.get("CI"):
            raise pytest.UsageError(f"{item.nodeid} needs {', '.join(due)}, which CI must install")
        (dropped if missing else kept).append(item)
        for name in missing:
            _left_out[name] = _left_out.get(name, 0) + 1
    if dropped:
        config.hook.pytest_deselected(items=dropped)
        items[:] = kept


def _could_be_there(name: str) -> bool:
    if name == "posix":
        return False
    return sys.version_info[:2] <= LAST_PYTHON.get(name, sys.version_info[:2])


def _is_there(name: str) -> bool:
    if name == "posix":
        return os.name == "posix"
    if name in LAST_PYTHON:
        return find_spec(name) is not None
    return AXE_CORE.exists() if name == "axe-core" else shutil.which(name) is not None


def pytest_report_collectionfinish() -> list[str]:
    """Say which programs are missing and how many checks that costs."""
    return [f"{count} checks left out: {name} is not there" for name, count in sorted(_left_out.items())]
