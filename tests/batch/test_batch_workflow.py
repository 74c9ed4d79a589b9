"""The example workflow: valid by the public schema of workflows, and steps that do what they say."""

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import soundfile
import yaml

from tests.batch.conftest import MakeSongs
from tests.batch.sessions import house_recipe

WORKFLOW = Path(__file__).parents[2] / ".github/workflows/stems.yml"
BIN = Path(sys.executable).parent


def is_valid(path: Path) -> bool:
    """Whether a file is a workflow by the schema of schemastore.org, of which check-jsonschema brings a copy."""
    command = [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.github-workflows", str(path)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode in (0, 1), done.stderr
    return done.returncode == 0


@pytest.mark.parametrize(
    ("was", "broken"), [("", ""), ("steps:", "step:"), ("timeout-minutes: 60", "timeout: 60"), ("push:", "pushed:")]
)
def test_the_workflow_is_one_by_the_public_schema(was: str, broken: str, tmp_path: Path) -> None:
    """As it is; with a key of it misspelt it is none."""
    copy = tmp_path / "stems.yml"
    copy.write_text(WORKFLOW.read_text("utf-8").replace(was, broken, 1), "utf-8")
    assert is_valid(copy) == (was == broken)


def job() -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load(WORKFLOW.read_text("utf-8"))["jobs"]["render"]
    return found


def run(step: str, folder: Path) -> "subprocess.CompletedProcess[str]":
    """Run a step's own lines as the runner does (bash -e), on songs of ours."""
    [lines] = [s["run"] for s in job()["steps"] if s.get("name") == step]
    names = {
        "RECIPE": "house.yaml",
        "SONGS": "album",
        "APPROVED": "approved",
        "GITHUB_STEP_SUMMARY": "summary.md",
        "PATH": f"{BIN}{os.pathsep}{os.environ['PATH']}",
    }
    command = ["bash", "-e", "-o", "pipefail", "-c", lines]
    return subprocess.run(command, cwd=folder, env={**os.environ, **names}, capture_output=True, text=True)


def change_a_sample(renders: Path, by: int) -> None:
    """Add to one sample of song a's stem; 1 << 8 is one step of 24 bits."""
    stem = renders / "a" / "stems" / "a_stem_left_a.wav"
    samples, rate = soundfile.read(stem, dtype="int32")
    samples[1000] += by
    soundfile.write(stem, samples, rate, subtype="PCM_24")


def test_its_steps_fail_on_limits_and_on_what_is_not_the_approved_render(tmp_path: Path, make_songs: MakeSongs) -> None:
    """4 where a limit is broken, with the summary written; null against nothing, the same, and another sound."""
    [song] = make_songs("a")
    (Path(song) / "song.yaml").write_text("performances: {right_a: null}\n")  # half the work
    house_recipe(tmp_path, "limits: {mono_fold_db: 0}\n")
    rendered = run("Render, and hold the limits", tmp_path)
    assert rendered.returncode == 4, rendered.stderr
    assert "| a | limits broken |" in (tmp_path / "summary.md").read_text("utf-8")
    checked = run("Check the delivery against its manifests", tmp_path)
    assert checked.returncode == 0, checked.stderr
    null = "Null against the approved renders"
    first = run(null, tmp_path)
    assert (first.returncode, "::notice::no approved render yet" in first.stdout) == (0, True)
    shutil.copytree(tmp_path / "rendered", tmp_path / "approved", ignore=shutil.ignore_patterns("summary*", "index*"))
    same = run(null, tmp_path)
    assert same.returncode == 0, same.stdout + same.stderr
    assert "against its approved render" not in (tmp_path / "summary.md").read_text("utf-8")
    house_recipe(tmp_path, "limits: {mono_fold_db: 0}\nguitar_bus: {gain_db: -1}\n")
    assert run("Render, and hold the limits", tmp_path).returncode == 4
    lower = run(null, tmp_path)
    assert lower.returncode == 1, lower.stdout + lower.stderr
    summary = (tmp_path / "summary.md").read_text("utf-8")
    assert "### a against its approved render" in summary
    assert "recipe guitar_bus.gain_db: -1 instead of not there" in summary
    assert "guitars: has other samples: level -0." in summary  # what the ceiling took before is given back
    change_a_sample(tmp_path / "approved", 1 << 20)
    other = run(null, tmp_path)
    assert other.returncode == 1, other.stdout + other.stderr
    assert "left_a" in other.stdout + other.stderr


def test_its_second_render_must_be_the_first_again(tmp_path: Path, make_songs: MakeSongs) -> None:
    """The same samples pass; one step of 24 bits in the first render does not."""
    make_songs("a")
    house_recipe(tmp_path)
    assert run("Render, and hold the limits", tmp_path).returncode == 0
    again = "Render again, and null against the first"
    same = run(again, tmp_path)
    assert same.returncode == 0, same.stdout + same.stderr
    change_a_sample(tmp_path / "rendered", 1 << 8)
    assert run("Check the delivery against its manifests", tmp_path).returncode == 4
    other = run(again, tmp_path)
    assert other.returncode == 1, other.stdout + other.stderr


def test_nothing_runs_with_more_rights_than_it_needs_and_the_lock_is_used() -> None:
    """Read access to the repository alone; every package at the version of the lock; the renders kept when it fails."""
    assert yaml.safe_load(WORKFLOW.read_text("utf-8"))["permissions"] == {"contents": "read"}
    steps = job()["steps"]
    assert any('pip install -c "$LOCK"' in step.get("run", "") for step in steps)
    assert steps[-1]["if"] == "always()"
    assert steps[-1]["with"]["path"] == "rendered"
