"""`premix balance`: the balance of the mics, set by ear on a page, or found in a rough mix."""

from pathlib import Path
from typing import Unpack

import click

from premix.balancing import balance_like, balance_page
from premix.cli import options, show
from premix.errors import Exit, Problem, RecipeError
from premix.model.balance import FoundBalance
from premix.report.page import missing_extra


@click.command("balance")
@options.recipe
@options.tracks
@click.option("--out", type=options.PATH, help="Write the page to this file, or into this folder.")
@click.option("--from", "from_s", type=float, metavar="SECONDS", help="What is heard on the page: from here ...")
@click.option(
    "--to", "to_s", type=float, metavar="SECONDS", help="... to here, instead of two passages that are chosen."
)
@click.option("--like", type=options.PATH, metavar="FILE", help="Find the balance of this rough mix instead.")
@click.option("--save", type=options.PATH, help="With --like: write the layer on top of RECIPE to this file.")
@options.settings
@options.sheet
@options.allow_plug_ins
@options.threads
@options.as_json
def balance_command(
    recipe: Path,
    tracks: Path,
    out: Path | None,
    from_s: float | None,
    to_s: float | None,
    like: Path | None,
    save: Path | None,
    as_json: bool,
    **shared: Unpack[options.Shared],
) -> Exit:
    """Set the balance of TRACKS by ear on one page (--out), or find that of a rough mix (--like).

    Both end in lines for the recipe: a layer that extends it, with what differs.
    """
    if (out is None) == (like is None):
        raise click.UsageError("Give --out for the page, or --like for a rough mix.")
    if out is not None:
        if save is not None or as_json:
            raise click.UsageError("--save and --json go with --like: the page has its own button.")
        if (from_s is None) != (to_s is None):
            raise click.UsageError("--from and --to go together.")
        return _page(recipe, tracks, out, None if from_s is None or to_s is None else (from_s, to_s), shared)
    if from_s is not None or to_s is not None:
        raise click.UsageError("--from and --to are of the page: they go with --out.")
    assert like is not None
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


def _page(recipe: Path, tracks: Path, out: Path, span_s: tuple[float, float] | None, shared: options.Shared) -> Exit:
    if missing := missing_extra():
        raise RecipeError(Problem("balance-no-extra", "--out", missing.message))
    with show.progress() as bar:
        song, page = balance_page(recipe, tracks, out, span_s=span_s, progress=bar, **shared)
    show.findings(finding for finding in song.findings if finding.severity != "info")
    show.say(f"done: {page}, {page.stat().st_size / 1e6:.1f} MB; turn down, then open it in a browser")
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
