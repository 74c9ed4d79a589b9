"""Examples in docstrings and in the README run as they stand."""

import doctest
import importlib
import re
import shlex
from pathlib import Path

import pytest

import premix
from premix.cli.main import run

TOP = Path(__file__).parents[2]
FLAGS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
WITH_EXAMPLES = sorted(p for p in (TOP / "premix").rglob("*.py") if ">>> " in p.read_text("utf-8"))


def name_of(path: Path) -> str:
    """Of the module in a file."""
    return ".".join(path.relative_to(TOP).with_suffix("").parts).removesuffix(".__init__")


@pytest.mark.parametrize("path", WITH_EXAMPLES, ids=name_of)
def test_examples_in_docstrings_give_what_they_say(path: Path) -> None:
    """Every module that shows one; the package's face is among them."""
    failed, tried = doctest.testmod(importlib.import_module(name_of(path)), optionflags=FLAGS)
    assert tried > 0 and failed == 0


def test_the_packages_face_has_examples() -> None:
    """What Python users call is shown."""
    assert TOP / "premix" / "__init__.py" in WITH_EXAMPLES


def test_the_readmes_python_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Run beside the demo and the recipes, its block prints what it says."""
    text = (TOP / "README.md").read_text("utf-8")
    (block,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    for name in ("demo_stems", "recipes"):
        (tmp_path / name).symlink_to(TOP / name)
    monkeypatch.chdir(tmp_path)
    exec(compile(block, "README.md", "exec"), {})
    said = capsys.readouterr().out.splitlines()
    promised = re.findall(r"# -> (.*)", block)
    assert said == promised
    assert (tmp_path / "out" / "manifest.json").exists()
    assert premix.null(tmp_path / "out", tmp_path / "out")[0].result.identical  # type: ignore[union-attr]


def test_the_readmes_draft_is_what_the_commands_print(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """From a demo with other names to a render: every line shown is printed, in order, up to where it is cut."""
    text = (TOP / "README.md").read_text("utf-8")
    (block,) = re.findall(r"```\n(\$ premix demo Tidewater --names.*?)```", text, re.DOTALL)
    monkeypatch.chdir(tmp_path)
    for step in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
        command, *shown = step.splitlines()
        program, *arguments = shlex.split(command)
        if program == "premix":
            assert run(arguments) == 0
            printed = iter(capsys.readouterr().err.splitlines())
        else:
            printed = iter((tmp_path / arguments[0]).read_text("utf-8").splitlines())
        for line in shown:
            start = line.removesuffix(" ...")
            assert line == "..." or any(told.startswith(start) for told in printed), line
