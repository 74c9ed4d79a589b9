"""Arguments and options that several commands share.

The command `premix`: commands by name, loaded when asked for, and what an error becomes.
"""

import importlib
import os
import sys
import tempfile
import traceback
from pathlib import Path

import click

from premix import __version__
from premix.errors import UserError

recipe_argument = click.argument("recipe", type=click.Path(path_type=Path))
tracks_argument = click.argument("tracks", type=click.Path(path_type=Path))
set_option = click.option(
    "--set", "settings", multiple=True, metavar="KEY=VALUE", help="Set a value of the recipe, e.g. deliver.bits=32."
)
sheet_option = click.option(
    "--alignment", "sheet", type=click.Path(path_type=Path), help="Take the decisions from this alignment sheet."
)
recover_option = click.option(
    "--recover", is_flag=True, help="Read what is there of files that were cut off or never closed."
)
json_option = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
threads_option = click.option(
    "--threads", type=click.IntRange(1, 64), default=1, show_default=True, help="Threads for one song."
)


COMMANDS = {
    "render": "premix.cli.render",
    "align": "premix.cli.align",
    "inspect": "premix.cli.inspect",
    "null": "premix.cli.null",
    "compare": "premix.cli.compare",
    "batch": "premix.cli.batch",
    "draft": "premix.cli.begin",
    "demo": "premix.cli.begin",
    "schema": "premix.cli.begin",
}
"""Command -> module that holds a click command of the same name. Loaded only when used: `--help` stays quick."""

HELP = {
    "render": "Turn a song's tracks into stems, buses and a guitar bus.",
    "align": "Show polarity and delay of every mic; nothing is rendered.",
    "inspect": "Check the tracks before any work is done.",
    "compare": "Render variants of the recipe, equally loud, to compare by ear.",
    "batch": "Render many songs, on this machine's cores or on a cluster.",
    "null": "Subtract one render from another and tell what is left.",
    "draft": "Propose a recipe for a folder of tracks.",
    "demo": "Write the demo session.",
    "schema": "Print the JSON Schema of the recipe.",
}

EXIT_USER, EXIT_BUG, EXIT_LIMITS, EXIT_INTERRUPTED = 1, 3, 4, 130


class Commands(click.Group):
    """A group that imports a command's module only when the command is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = getattr(importlib.import_module(COMMANDS[cmd_name]), f"{cmd_name}_command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(HELP.items()))


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
        return result if isinstance(result, int) else 0
    except UserError as error:
        for problem in error.problems:
            click.echo(problem.line(), err=True)
        return EXIT_USER
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (KeyboardInterrupt, click.Abort):
        click.echo("interrupted; nothing was written", err=True)
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_USER
    except Exception as error:
        click.echo(f"premix has a bug: {type(error).__name__}: {error}; log: {_log()}", err=True)
        return EXIT_BUG


def _log() -> Path:
    """Write the traceback where the user can find and send it."""
    handle, name = tempfile.mkstemp(prefix="premix-bug-", suffix=".log", text=True)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(f"premix {__version__}, Python {sys.version}\n{' '.join(sys.argv)}\n\n{traceback.format_exc()}")
    return Path(name)
