"""500 mutated headers and 500 mutated recipes, through the whole command, in a process with limits."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.pipeline.mutated import CASES, PATIENCE_S

MOST_BYTES = 300_000_000


@pytest.mark.tools("posix")
@pytest.mark.parametrize("kind", ["headers", "recipes"])
def test_500_mutations_are_read_or_told(tmp_path: Path, kind: str) -> None:
    """Exit 0 or 1 with listed lines: no traceback, none over 5 s, the process under 300 MB from its start to its end.

    Its address space is limited too, to 1 GB beside the 1 GB that the libraries map: a length from a broken header
    that somebody allocates is an error there, even when its memory is never touched.
    """
    import resource

    done = subprocess.run(
        [sys.executable, "-m", "tests.pipeline.mutated", kind, str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=250,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (2_000_000_000, 2_000_000_000)),
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["accepted"] + found["refused"] == CASES == 500
    assert found["accepted"] > 0 and len(found["slugs"]) > 5  # they break many things, and not all
    assert found["slowest_s"] < PATIENCE_S
    assert found["peak_bytes"] < MOST_BYTES
