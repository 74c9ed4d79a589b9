"""`premix balance`: the balance of the mics, found in a rough mix."""

from pathlib import Path
from typing import Unpack

import click

from premix.cli import options, show
from premix.errors import Exit
from premix.model.balance import FoundBalance
from premix.pipeline import balance_like


@click.command("balance")
@options.recipe
@options.tracks
@click.option("--like", type=options.PATH, required=True, metavar="FILE", help="Find the balance of this rough mix.")
@click.option("--save", type=options.PATH, help="Write the found balance to this file: a layer on top of RECIPE.")
@options.settings
@options.sheet
@options.allow_plug_ins
@options.threads
@options.as_json
def balance_command(
    recipe: Path, tracks: Path, like: Path, save: Path | None, as_json: bool, **shared: Unpack[options.Shared]
) -> Exit:
    """Find the balance of a rough mix of TRACKS: gains of the mics, levels and pans of the performances."""
    with show.progress() as bar:
        song, found, text = balance_like(recipe, tracks, like, save=save, progress=bar, **shared)
    if as_json:
        show.document(found)
        return Exit.DONE
    _show_found(song.name, like, found)
    show.findings(found.findings)
    if save is None:
        click.echo(text, nl=False)
    else:
        show.say(f"{save}: next: premix render {save} {tracks} --out OUT")
    return Exit.DONE


def _show_found(name: str, like: Path, found: FoundBalance) -> None:
    show.say(
        f"{name}: {found.explained:.2f} of {like.name} is explained by the tracks as {found.tracks}; it begins "
        f"{abs(found.offset_s):.3f} s {'after' if found.offset_s >= 0.0 else 'before'} them"
    )
    rows = [
        [mic.mic, f"{mic.now_db:.1f}", show.figure(mic.found_db, 1, "not heard"), show.figure(mic.sure_db, 1)]
        for mic in found.mics
    ]
    show.table(["mic", "now dB", "found dB", "+- dB"], rows)
    rows = [
        [
            place.performance,
            place.bus,
            f"{place.now_db:.1f}",
            show.figure(place.found_db, 1, "not heard"),
            show.figure(place.sure_db, 1),
            f"{place.now_pan:+.2f}",
            show.figure(place.found_pan, 2),
            show.figure(place.sure_pan, 2),
        ]
        for place in found.performances
    ]
    heads = ["performance", "bus", "now dB", "found dB", "+- dB", "pan now", "found", "+-"]
    show.table(heads, rows)
