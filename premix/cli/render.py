"""`premix render`: the main job."""

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
from premix.cli.show import summary


@click.command("render")
@recipe_argument
@tracks_argument
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for the files.")
@click.option("--force", is_flag=True, help="Replace OUT even if premix did not write it.")
@click.option("--no-report", is_flag=True, help="Make no HTML page.")
@click.option(
    "--pictures", type=click.Path(path_type=Path), metavar="DIR", help="Also write the page's pictures as SVG and PNG."
)
@click.option(
    "--expect",
    type=click.Path(path_type=Path),
    metavar="MANIFEST",
    help="Exit 4 unless every sample is that of this earlier render, and say what changed.",
)
@sheet_option
@recover_option
@set_option
@threads_option
@json_option
def render_command(
    recipe: Path,
    tracks: Path,
    out: Path,
    force: bool,
    no_report: bool,
    pictures: Path | None,
    expect: Path | None,
    sheet: Path | None,
    recover: bool,
    settings: tuple[str, ...],
    threads: int,
    as_json: bool,
) -> int:
    """Render TRACKS after RECIPE into OUT: stems, rooms, buses, the guitar bus, a track sheet, a manifest, a page."""
    from premix.delivery.against import compare, read_manifest
    from premix.pipeline import render
    from premix.report.page import missing_extra

    missing = missing_extra()
    if pictures is not None and (no_report or missing):
        raise click.UsageError("--pictures needs the page: leave out --no-report, and install premix-stems[report].")
    expected = read_manifest(expect) if expect is not None else None
    bar = show.BarProgress()
    try:
        outcome = render(
            recipe,
            tracks,
            out,
            settings=settings,
            force=force,
            threads=threads,
            sheet=sheet,
            recover=recover,
            report=not no_report,
            pictures=pictures,
            progress=bar,
        )
    finally:
        bar.end()
    if as_json:
        show.document(outcome.manifest)
    else:
        summary(outcome, out)
        show.findings([missing] if missing and not no_report else [])
    differences = compare(expected, outcome.manifest) if expected is not None else ()
    if expected is not None:
        show.findings(differences)
        show.say(f"{'not ' if differences else ''}the samples that were expected")
    return 4 if outcome.broken or differences else 0
