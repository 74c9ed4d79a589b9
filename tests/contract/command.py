"""The command `premix`, in a folder of its own: as a process, or quicker in this one."""

import contextlib
import io
import os
import re
import runpy
import subprocess
import sys
import tempfile
import warnings
from dataclasses import asdict, dataclass
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]


PLAIN = {
    **{f"{library}_NUM_THREADS": "1" for library in ("OPENBLAS", "OMP", "MKL")},
    "NO_COLOR": "1",
    "COLUMNS": "100",
    "PYTHONIOENCODING": "utf-8",
}


@dataclass(frozen=True, slots=True)
class Said:
    """Exit code and what was printed; the folder's own path is written as <folder>."""

    code: int
    out: str
    err: str

    def plain(self) -> dict[str, object]:
        """As it is stored."""
        return asdict(self)


def premix(folder: Path, *words: str) -> Said:
    """Run the command with `folder` as the working folder, so that its messages name short paths."""
    scratch = folder / "_scratch"
    scratch.mkdir(parents=True, exist_ok=True)
    paths = [str(REPOSITORY), os.environ.get("PYTHONPATH", "")]
    environment = {**os.environ, **PLAIN, "TMPDIR": str(scratch), "PYTHONPATH": os.pathsep.join(filter(None, paths))}
    done = subprocess.run(
        [sys.executable, "-m", "premix", *words],
        cwd=folder,
        env=environment,
        capture_output=True,
        timeout=200,
        check=False,
    )
    out, err = (_placed(text.decode("utf-8"), folder) for text in (done.stdout, done.stderr))
    return Said(done.returncode, out, err)


def premix_here(folder: Path, *words: str) -> Said:
    """The same by `runpy` in this process: for many commands that end early."""
    out, err = io.StringIO(), io.StringIO()
    before = sys.argv, tempfile.tempdir, dict(os.environ)
    code = None
    with contextlib.chdir(folder), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            sys.argv, tempfile.tempdir = ["premix", *words], str(folder)
            os.environ.update(PLAIN)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                runpy.run_module("premix", run_name="__main__", alter_sys=False)
        except SystemExit as end:
            code = end.code
        finally:
            sys.argv, tempfile.tempdir = before[:2]
            os.environ.clear()
            os.environ.update(before[2])
    assert isinstance(code, int), (words, code)
    return Said(code, _placed(out.getvalue(), folder), _placed(err.getvalue(), folder))


def _placed(text: str, folder: Path) -> str:
    return re.sub(r", \d+\.\d s\b(?=\n|$)", ", <time>", text.replace(str(folder), "<folder>"), flags=re.M)
