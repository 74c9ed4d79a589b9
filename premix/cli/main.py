"""The command `premix`: commands by name, loaded when asked for, and what an error becomes."""

import contextlib
import errno
import importlib
import io
import os
import signal
import sys
import tempfile
import traceback
from pathlib import Path
from typing import Any

import click

from premix import __version__
from premix.errors import Exit, Problem, UserError

COMMANDS = {
    "render": ("one_song", "Turn a song's tracks into stems, buses and a guitar bus."),
    "align": ("one_song", "Show polarity and delay of every mic; nothing is rendered."),
    "inspect": ("one_song", "Check the tracks before any work is done."),
    "compare": ("one_song", "Render variants of the recipe, equally loud, to compare by ear."),
    "balance": ("balance", "Set the balance by ear, on a page, or find that of a rough mix."),
    "batch": ("batch", "Render many songs, on this machine's cores or on a cluster."),
    "null": ("hold", "Subtract one render from another and tell what is left."),
    "verify": ("hold", "Check a delivered folder against its manifest."),
    "setups": ("setups", "Tell which mic moved between songs, by how much and when."),
    "draft": ("begin", "Propose a recipe for a folder of tracks."),
    "demo": ("begin", "Write the demo session."),
    "schema": ("begin", "Print the JSON Schema of the recipe."),
}
"""Command -> the module in `premix.cli` that holds it as <name>_command, and its line in the help.

A module is loaded only when its command is used: `--help` stays quick.
"""


class Commands(click.Group):
    """A group that imports a command's module only when the command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"premix.cli.{COMMANDS[cmd_name][0]}")
        command: click.Command = getattr(module, f"{cmd_name}_command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="premix")
@click.pass_context
def premix(ctx: click.Context) -> None:
    """Raw multi-mic heavy-guitar tracks to phase-coherent, mix-ready stems, from a YAML recipe.

    Exit codes: 0 done; 1 the recipe or the tracks need you; 2 usage; 3 a bug, with a log; 4 rendered, but a limit
    of the recipe is broken; 130 interrupted.
    """
    if os.environ.get("NO_COLOR"):
        ctx.color = False


def entry() -> None:
    """Run the command line and leave with its exit code."""
    _open_standard_streams()
    for library in ("OPENBLAS", "OMP", "MKL"):  # read when numpy is loaded: more threads change the last digits of sums
        os.environ[f"{library}_NUM_THREADS"] = "1"
    reconfigure = getattr(sys.stdout, "reconfigure", None)
    if reconfigure is not None:
        reconfigure(errors="backslashreplace")
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:  # who asked for `nohup` keeps it
            signal.signal(number, _interrupt)
    code = run(sys.argv[1:])
    try:
        sys.stdout.flush()
    except OSError as error:
        code = _told(_refusal(error)) if code == Exit.DONE else code
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what is left in the buffer goes nowhere
    sys.exit(code)


def _open_standard_streams() -> None:
    """Where a standard stream is closed, nobody hears it; else the next file that is opened would."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # gets the lowest number that is free
    if sys.stdout is None:
        sys.stdout = os.fdopen(1, "w", closefd=False)
    encoding = getattr(sys.stderr, "encoding", None) or "utf-8"
    heard = io.BufferedWriter(_IfHeard(2, "w", closefd=False))
    sys.stderr = io.TextIOWrapper(heard, encoding, "backslashreplace", line_buffering=True)


class _IfHeard(io.FileIO):
    """A stream for people: where nobody can be told, the work goes on."""

    def write(self, data: Any) -> int:
        try:
            return super().write(data)
        except OSError:
            return len(data)


def _interrupt(number: int, frame: object) -> None:
    """A request to end is heard like Ctrl-C, once: nothing is left behind."""
    signal.signal(number, signal.SIG_IGN)
    raise KeyboardInterrupt


def run(arguments: list[str]) -> int:
    """Run the command line; gives the exit code and never raises."""
    try:
        result = premix.main(args=arguments, prog_name="premix", standalone_mode=False)
        return result if isinstance(result, int) else Exit.DONE
    except UserError as error:
        return _told(*error.problems)
    except click.ClickException as error:
        with contextlib.suppress(OSError):
            error.show()
        return error.exit_code
    except (KeyboardInterrupt, click.Abort):
        _say("interrupted; nothing was written")
        return Exit.INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return Exit.USER
    except (OSError, MemoryError, RecursionError) as error:
        refusal = _refusal(error)
        return _bug(error) if refusal is None else _told(refusal)
    except Exception as error:
        return _bug(error)


_NAMES = "ENOSPC EDQUOT EFBIG EACCES EPERM EROFS EIO EMFILE ENFILE ENOMEM ENAMETOOLONG ELOOP ESTALE ENXIO"
_REFUSALS = frozenset(number for number, name in errno.errorcode.items() if name in _NAMES.split())
"""What the system refuses for reasons that are not ours."""


def _refusal(error: BaseException) -> Problem | None:
    """What the system would not give, as a problem; None where the fault may be ours."""
    if isinstance(error, MemoryError):
        return Problem("system-refused", "memory", "there is not enough of it")
    if isinstance(error, OSError) and error.errno in _REFUSALS:
        where = "a standard stream" if error.filename is None else os.fsdecode(error.filename)
        return Problem("system-refused", str(where), error.strerror or str(error))
    return None


def _told(*problems: Problem | None) -> Exit:
    for problem in problems:
        if problem is not None:
            _say(problem.line())
    return Exit.USER


def _say(text: str) -> None:
    """A line on standard error, if anybody can hear it."""
    with contextlib.suppress(OSError):
        click.echo(text, err=True)


def _bug(error: BaseException) -> Exit:
    head = f"premix {__version__}, Python {sys.version}\n{' '.join(sys.argv)}"
    log = write_log(head, traceback.format_exc())
    _say(f"premix has a bug: {type(error).__name__}: {error}; log: {log}")
    return Exit.BUG


def write_log(head: str, trace: str) -> Path | str:
    """Write the traceback of a bug where the user can find and send it; gives the place, or why there is none."""
    try:
        handle, name = tempfile.mkstemp(prefix="premix-bug-", suffix=".log", text=True)
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(f"{head}\n\n{trace}")
    except OSError as error:
        return f"none, as no file can be written ({error.strerror or error})"
    return Path(name)
