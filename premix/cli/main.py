"""The command `premix`: commands by name, loaded when asked for, and what an error becomes."""

import importlib
import os
import sys
import tempfile
import traceback
from pathlib import Path

import click

from premix import __version__
from premix.errors import Exit, UserError, one_line

COMMANDS = {
    "render": ("one_song", "Turn a song's tracks into stems, buses and a guitar bus."),
    "align": ("one_song", "Show polarity and delay of every mic; nothing is rendered."),
    "inspect": ("one_song", "Check the tracks before any work is done."),
    "compare": ("one_song", "Render variants of the recipe, equally loud, to compare by ear."),
    "batch": ("batch", "Render many songs, on this machine's cores or on a cluster."),
    "null": ("hold", "Subtract one render from another and tell what is left."),
    "verify": ("hold", "Check a delivered folder against its manifest."),
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
    for library in ("OPENBLAS", "OMP", "MKL"):  # read when numpy is loaded: their idle threads burn a core for nothing
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run the command line; gives the exit code and never raises."""
    try:
        result = premix.main(args=arguments, prog_name="premix", standalone_mode=False)
        return result if isinstance(result, int) else Exit.DONE
    except UserError as error:
        for problem in error.problems:
            click.echo(problem.line(), err=True)
        return Exit.USER
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (KeyboardInterrupt, click.Abort):
        click.echo("interrupted; nothing was written", err=True)
        return Exit.INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return Exit.USER
    except Exception as error:
        head = f"premix {__version__}, Python {sys.version}\n{' '.join(sys.argv)}"
        log = write_log(head, traceback.format_exc())
        click.echo(one_line(f"premix has a bug: {type(error).__name__}: {error}; log: {log}"), err=True)
        return Exit.BUG


def write_log(head: str, trace: str) -> Path:
    """Write the traceback of a bug where the user can find and send it."""
    handle, name = tempfile.mkstemp(prefix="premix-bug-", suffix=".log", text=True)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(f"{head}\n\n{trace}")
    return Path(name)
