"""Plausible slips, put into the code one at a time: `python -m tests.bench.slips [NAME...] [--list]`.

Each is a few characters that a hurried hand may get wrong, and the tests that must notice it. They are put into a copy
of the tree, and only their own tests run, first without any slip. Where the text of a slip does not stand exactly once
in its file nothing is run: the code has moved, and the table (`slipped.py`) has to follow. Exit 1 where a slip lives.
Results of the last whole run: slips.json beside it.
"""

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from tests.bench.machine import versions
from tests.bench.processes import ONE_THREAD
from tests.bench.slipped import SLIPS, Slip

TOP = Path(__file__).parents[2]
RESULTS = Path(__file__).with_suffix(".json")
COPIED = ("premix", "tests", "recipes", "demo_stems", "pyproject.toml", "README.md", "DEVELOPERS.md", "CHANGELOG.md")
NOTICED, NOTHING_RAN = 1, (2, 3, 4, 5)
"""pytest's exit codes: tests failed; interrupted, broken, misused, or no test found."""


@dataclass(frozen=True, slots=True)
class Found:
    """What became of a slip."""

    slip: Slip
    noticed: bool
    seconds: float


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME", help="slips to try, or beginnings of names; default: all")
    parser.add_argument("--list", action="store_true", help="only show the table")
    options = parser.parse_args()
    slips = [slip for slip in SLIPS if not options.names or slip.name.startswith(tuple(options.names))]
    if not slips:
        parser.error("no slip of that name; --list shows them")
    misplaced = [place for slip in slips for place in _misplaced(slip)]
    if misplaced:
        parser.exit(2, "\n".join(misplaced) + "\n")
    if options.list:
        for slip in slips:
            print(f"{slip.name:44s} {slip.file}")
        return 0
    with tempfile.TemporaryDirectory(prefix="premix-slips-") as temporary:
        tree = copy_tree(Path(temporary))
        tests = dict.fromkeys(test for slip in slips for test in slip.tests)
        if code := run_tests(tree, tests, whole=True):
            parser.exit(2, f"without a slip the tests must pass: pytest ends with {code}\n")
        found = [_try(tree, slip) for slip in slips]
    lived = [one.slip.name for one in found if not one.noticed]
    print(
        f"{len(found) - len(lived)} of {len(found)} noticed" + (f"; not noticed: {', '.join(lived)}" if lived else "")
    )
    if not options.names:
        document = {
            "versions": versions(),
            "slips": [{"name": f.slip.name, "noticed": f.noticed, "seconds": round(f.seconds, 1)} for f in found],
        }
        RESULTS.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    return 1 if lived else 0


def _misplaced(slip: Slip) -> Iterable[str]:
    """What is wrong with the place of a slip, in words."""
    path = TOP / slip.file
    count = path.read_text("utf-8").count(slip.old) if path.is_file() else 0
    if count != 1:
        yield f"{slip.name}: its text stands {count} times in {slip.file}, not once"
    if slip.old == slip.new:
        yield f"{slip.name}: it changes nothing"


def copy_tree(folder: Path) -> Path:
    """A copy of what the tests need."""
    tree = folder / "tree"
    tree.mkdir()
    for name in COPIED:
        if (TOP / name).is_dir():
            shutil.copytree(TOP / name, tree / name, ignore=shutil.ignore_patterns("__pycache__", "node_modules"))
        else:
            shutil.copy(TOP / name, tree / name)
    return tree


def run_tests(tree: Path, tests: Iterable[str], *, whole: bool = False) -> int:
    """pytest's exit code; it stops at the first failure unless `whole`."""
    words = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *([] if whole else ["-x"]), *tests]
    environment = {**os.environ, **ONE_THREAD, "PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(words, cwd=tree, env=environment, capture_output=True, text=True)
    if whole and done.returncode:
        sys.stderr.write(done.stdout[-4000:])
    return done.returncode


def _try(tree: Path, slip: Slip) -> Found:
    """Put the slip in, run its tests, take it out."""
    path, started = tree / slip.file, time.perf_counter()
    text = path.read_text("utf-8")
    path.write_text(text.replace(slip.old, slip.new), "utf-8")
    try:
        code = run_tests(tree, slip.tests)
    finally:
        path.write_text(text, "utf-8")
    if code in NOTHING_RAN:
        raise SystemExit(f"{slip.name}: pytest ends with {code}; its tests are not there, or the slip is no Python")
    found = Found(slip, code == NOTICED, time.perf_counter() - started)
    print(f"{slip.name:44s} {'noticed' if found.noticed else 'LIVES':8s} {found.seconds:5.1f} s", flush=True)
    return found


if __name__ == "__main__":
    sys.exit(main())
