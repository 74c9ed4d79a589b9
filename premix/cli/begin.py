"""The commands to begin with: `premix draft` proposes a recipe, `premix demo` makes tracks, `premix schema` helps."""

from pathlib import Path
from typing import Literal

import click

from premix.cli import options, show
from premix.delivery.documents import json_text
from premix.delivery.whole import write_text_file
from premix.errors import Exit

DEEPEST = 3
"""Levels of folders below TRACKS that `draft` looks into."""


@click.command("draft")
@options.tracks
@click.option("--save", type=options.PATH, help="Write the recipe to this file instead.")
def draft_command(tracks: Path, save: Path | None) -> Exit:
    """Propose a recipe for the tracks in the folder TRACKS, from their names and their sound, with comments.

    It says how sure it is of each line, and asks in a comment what it cannot tell.
    """
    from premix.draft.propose import draft
    from premix.draft.write import MARK
    from premix.tracks.find import list_files

    text = draft(tracks, [file.name for file in list_files(tracks, DEEPEST) if file.is_audio])
    if save is None:
        click.echo(text, nl=False)
        return Exit.DONE
    write_text_file(save, text, MARK)
    asked = sum(line.lstrip().startswith("# ?") for line in text.splitlines())
    questions = f"{asked} question{'s' if asked != 1 else ''} in its comments" if asked else "no questions"
    show.say(f"{save}: {questions}; next: premix render {save} {tracks} --out OUT")
    return Exit.DONE


@click.command("demo")
@click.argument("folder", metavar="DIR", type=options.PATH)
@click.option("--seconds", type=float, default=24.0, show_default=True, help="Length of the song.")
@click.option("--rate", type=int, default=48000, show_default=True, help="Sample rate.")
@click.option("--format", "file_format", type=click.Choice(["wav", "flac"]), default="wav", show_default=True)
@click.option(
    "--fault",
    type=click.Choice(["jump", "turned", "drift", "late", "swapped"]),
    help="Let one thing go wrong with one mic, to see how it is found, told and mended.",
)
def demo_command(
    folder: Path,
    seconds: float,
    rate: int,
    file_format: Literal["wav", "flac"],
    fault: Literal["jump", "turned", "drift", "late", "swapped"] | None,
) -> Exit:
    """Write the demo session into DIR: an invented band's quad-tracked riff, five mics a performance."""
    from premix.demo.session import write_demo

    truth = write_demo(folder, seconds=seconds, rate=rate, file_format=file_format, fault=fault)
    show.say(f"{len(truth.tracks)} tracks of {truth.song} in {folder}; next: premix render RECIPE {folder} --out OUT")
    if truth.fault is not None:
        show.say(f"one thing went wrong on purpose: {truth.fault.words(truth.rate)}")
    show.say("Distorted guitar is loud: turn the monitors down before the first listen.")
    return Exit.DONE


@click.command("schema")
@click.option("--out", type=options.PATH, help="Write it to this file instead of standard output.")
def schema_command(out: Path | None) -> Exit:
    """Print the JSON Schema of the recipe, for editors."""
    from premix.recipe.schema import recipe_schema

    if out is None:
        show.document(recipe_schema())
    else:
        write_text_file(out, json_text(recipe_schema()) + "\n")
    return Exit.DONE
