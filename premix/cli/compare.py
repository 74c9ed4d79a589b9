"""`premix compare`: variants of a recipe, equally loud, to compare by ear."""

from pathlib import Path

import click

from premix.cli import show
from premix.cli.main import json_option, recipe_argument, set_option, sheet_option, threads_option, tracks_argument


@click.command("compare")
@recipe_argument
@tracks_argument
@click.option("--out", required=True, type=click.Path(path_type=Path), help="Folder for the files.")
@click.option(
    "--vary", type=click.Choice(["mics"]), help="Not the recipe's variants: each mic alone, left out, and as recorded."
)
@click.option("--force", is_flag=True, help="Replace OUT even if premix did not write it.")
@click.option("--no-report", is_flag=True, help="Make no HTML page.")
@sheet_option
@set_option
@threads_option
@json_option
def compare_command(
    recipe: Path,
    tracks: Path,
    out: Path,
    vary: str | None,
    force: bool,
    no_report: bool,
    sheet: Path | None,
    settings: tuple[str, ...],
    threads: int,
    as_json: bool,
) -> int:
    """Render the guitar bus of every entry of RECIPE's `variants` into OUT, level-matched, with a page to compare."""
    from premix.comparison import compare
    from premix.report.page import missing_extra

    bar = show.BarProgress()
    try:
        document = compare(
            recipe,
            tracks,
            out,
            by_mics=vary == "mics",
            settings=settings,
            force=force,
            threads=threads,
            sheet=sheet,
            report=not no_report,
            progress=bar,
        )
    finally:
        bar.end()
    if as_json:
        show.document(document)
        return 0
    rows = [
        [v["variant"], _number(v["loudness_before_lufs"]), _number(v["gain_db"]), _number(v["loudness_lufs"])]
        for v in document["variants"]
    ]
    show.table(["variant", "LUFS before", "gain dB", "LUFS"], rows)
    missing = missing_extra()
    show.findings([missing] if missing and not no_report else [])
    show.say(f"done: {len(rows)} variants and manifest in {out}")
    return 0


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"
