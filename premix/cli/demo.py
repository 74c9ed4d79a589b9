"""`premix demo`: the demo session."""

from pathlib import Path
from typing import Literal

import click

from premix.cli import show


@click.command("demo")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--seconds", type=float, default=24.0, show_default=True, help="Length of the song.")
@click.option("--rate", type=int, default=48000, show_default=True, help="Sample rate.")
@click.option("--format", "file_format", type=click.Choice(["wav", "flac"]), default="wav", show_default=True)
def demo_command(folder: Path, seconds: float, rate: int, file_format: Literal["wav", "flac"]) -> int:
    """Write the demo session into DIR: an invented band's quad-tracked riff, five mics a performance."""
    from premix.demo.session import write_demo

    truth = write_demo(folder, seconds=seconds, rate=rate, file_format=file_format)
    show.say(f"{len(truth.tracks)} tracks of {truth.song} in {folder}; next: premix render RECIPE {folder} --out OUT")
    show.say("Distorted guitar is loud: turn the monitors down before the first listen.")
    return 0
