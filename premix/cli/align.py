"""`premix align`: decisions only."""

from pathlib import Path

import click

from premix.cli import show
from premix.cli.main import (
    json_option,
    recipe_argument,
    recover_option,
    set_option,
    sheet_option,
    threads_option,
    tracks_argument,
)
from premix.cli.show import decisions_table


@click.command("align")
@recipe_argument
@tracks_argument
@set_option
@click.option("--save", type=click.Path(path_type=Path), help="Write the decisions to this file, to read and edit.")
@sheet_option
@recover_option
@threads_option
@json_option
def align_command(
    recipe: Path,
    tracks: Path,
    settings: tuple[str, ...],
    save: Path | None,
    sheet: Path | None,
    recover: bool,
    threads: int,
    as_json: bool,
) -> int:
    """Show polarity and delay of every mic of TRACKS after RECIPE, with the evidence. Nothing is rendered.

    A refused mic is shown and never stops this command.
    """
    from premix.delivery.manifest import alignment_document
    from premix.pipeline import prepare, save_sheet

    bar = show.BarProgress()
    try:
        with prepare(
            recipe, tracks, settings=settings, threads=threads, sheet=sheet, recover=recover, progress=bar
        ) as prepared:
            bar.end()
            alignment = prepared.alignment
            temperature_c = prepared.merged.recipe.alignment.temperature_c
            if save is not None:
                save_sheet(prepared, save)
            if as_json:
                show.document(alignment_document(alignment, temperature_c))
                return 0
            for number, performance in enumerate(prepared.tracks.performances()):
                show.say() if number else None
                decisions_table(alignment, performance, temperature_c)
            show.findings(f for f in alignment.findings)
    finally:
        bar.end()
    return 0
