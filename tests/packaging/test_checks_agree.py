"""The places that say what must hold before a change is kept: CI, the hooks before a commit, the public workflow."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml

TOP = Path(__file__).parents[2]


def read_yaml(name: str) -> Any:
    return yaml.safe_load((TOP / name).read_text("utf-8"))


def matrix() -> dict[str, list[str]]:
    """The systems and Pythons that the workflow runs the tests on."""
    found: dict[str, list[str]] = read_yaml(".github/workflows/tests.yml")["jobs"]["tests"]["strategy"]["matrix"]
    return found


def test_a_commit_is_held_to_the_checks_of_ci() -> None:
    """The hooks are the programs that .ci/run calls after the tests, in its order."""
    in_ci = re.findall(r'^"\$bin/(\S+)"(.*)$', (TOP / ".ci/run").read_text("utf-8"), re.MULTILINE)
    hooks = read_yaml(".pre-commit-config.yaml")["repos"][0]["hooks"]
    assert [hook["entry"] for hook in hooks] == [program + words for program, words in in_ci]
    assert len(in_ci) >= 5


def test_the_workflow_asks_for_every_python_from_the_oldest_on() -> None:
    """No gap between the oldest Python that the project allows and the newest of the workflow."""
    project = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))["project"]
    oldest = int(project["requires-python"].removeprefix(">=3."))
    assert matrix()["python"] == [f"3.{minor}" for minor in range(oldest, oldest + len(matrix()["python"]))]


@pytest.mark.parametrize(("was", "broken"), [("", ""), ("runs-on:", "runs:"), ("fail-fast: false", "fail-fast: 3")])
def test_the_workflow_is_one_by_the_public_schema(was: str, broken: str, tmp_path: Path) -> None:
    """As it is; with a key or a value of it wrong it is none. The schema is the copy that check-jsonschema brings."""
    copy = tmp_path / "tests.yml"
    copy.write_text((TOP / ".github/workflows/tests.yml").read_text("utf-8").replace(was, broken, 1), "utf-8")
    command = [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.github-workflows", str(copy)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == (0 if was == broken else 1), done.stdout + done.stderr
