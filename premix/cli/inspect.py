"""`premix inspect`: the tracks, checked before any work is done."""

from pathlib import Path

import click

from premix.cli import show
from premix.cli.options import json_option, recipe_argument, set_option, tracks_argument
from premix.units import samples_to_s


@click.command("inspect")
@recipe_argument
@tracks_argument
@set_option
@json_option
def inspect_command(recipe: Path, tracks: Path, settings: tuple[str, ...], as_json: bool) -> int:
    """Check TRACKS against RECIPE: which file is which mic, lengths, rates, starts. Exit 1 if a render would stop."""
    from premix.delivery.decisions import intake_document
    from premix.pipeline import load

    merged, found = load(recipe, tracks, settings)
    if as_json:
        show.document(intake_document(merged, found))
        return 0
    rows = [
        [
            t.performance, t.mic, t.header.path.name, f"{samples_to_s(t.header.frames, t.header.rate):.3f}",
            str(t.header.rate), t.header.subtype, str(t.start),
        ]
        for t in found.tracks
    ]
    show.say(f"{found.song}: {len(rows)} tracks, {samples_to_s(found.frames, found.rate):.3f} s at {found.rate} Hz")
    show.table(["performance", "mic", "file", "seconds", "rate", "format", "start"], rows)
    show.findings(found.findings)
    show.say("ready to render")
    return 0
