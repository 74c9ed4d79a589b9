"""Help, version and usage errors; what the help costs."""

import subprocess
import sys

import pytest

from premix import __version__
from premix.cli.main import COMMANDS
from tests.cli.conftest import Premix

HEAVY = ("numpy", "scipy", "soundfile", "pydantic", "yaml", "soxr", "pedalboard", "matplotlib", "jinja2", "distributed")


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize("flag", ["--help", "-h"])
def test_every_command_explains_itself(premix: Premix, command: str, flag: str) -> None:
    """Usage with the command's own name, a sentence of what it does, and its options; exit 0."""
    said = premix(command, flag)
    assert (said.code, said.err) == (0, "")
    assert said.out.startswith(f"Usage: premix {command}")
    assert "Options:" in said.out
    text = said.out.split("\n\n")[1].strip()
    assert text.endswith(".")
    assert text[0].isupper()


def test_help_lists_every_command_with_a_line(premix: Premix) -> None:
    """Each command that can be run stands in `premix --help`, with what it is for, and nothing else does."""
    said = premix("--help")
    assert said.code == 0
    listed = said.out.split("Commands:\n")[1].splitlines()
    assert [line.split()[0] for line in listed if line.startswith("  ") and line[2] != " "] == list(COMMANDS)
    assert "Exit codes: 0 done; 1" in said.out


def test_version(premix: Premix) -> None:
    """`premix --version` says name and version."""
    said = premix("--version")
    assert (said.code, said.out) == (0, f"premix, version {__version__}\n")


def test_help_imports_nothing_heavy() -> None:
    """`premix --help` in a fresh interpreter loads neither numpy nor any other heavy library, so it is quick."""
    program = (
        "import sys; from premix.cli.main import run; code = run(['--help']);"
        f"print(code, *[m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stderr.split() == ["0"]
    assert "render" in done.stdout


@pytest.mark.parametrize(
    "arguments",
    [
        ["rendr"],
        ["render"],
        ["render", "recipe.yaml"],
        ["render", "recipe.yaml", "tracks"],
        ["render", "recipe.yaml", "tracks", "--out"],
        ["render", "recipe.yaml", "tracks", "--out", "out", "--loud"],
        ["render", "recipe.yaml", "tracks", "--out", "out", "--threads", "many"],
        ["render", "recipe.yaml", "tracks", "--out", "out", "--threads", "0"],
        ["align", "recipe.yaml", "tracks", "more"],
        ["demo", "folder", "--format", "mp3"],
        ["null", "a.wav", "b.wav", "--below", "silence"],
    ],
    ids=" ".join,
)
def test_wrong_usage_is_exit_2(premix: Premix, arguments: list[str]) -> None:
    """Unknown commands and options, missing or wrong values: exit 2 and a line of what is wrong."""
    said = premix(*arguments)
    assert (said.code, said.out) == (2, "")
    assert said.lines[-1].startswith("Error: ")


def test_no_command_shows_the_help(premix: Premix) -> None:
    """`premix` alone is a question, not a bug."""
    said = premix()
    assert said.code == 2
    assert "Commands:" in said.out + said.err
