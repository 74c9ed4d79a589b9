"""`premix null`: the null test."""

from pathlib import Path

import click

from premix.cli import show
from premix.cli.main import json_option


@click.command("null")
@click.argument("a", type=click.Path(path_type=Path))
@click.argument("b", type=click.Path(path_type=Path))
@click.option(
    "--below",
    type=float,
    default=-120.0,
    show_default=True,
    metavar="DBFS",
    help="Exit 4 when any file's residual peaks above this.",
)
@json_option
def null_command(a: Path, b: Path, below: float, as_json: bool) -> int:
    """Subtract B from A, two files or two output folders, and tell what is left."""
    from premix.delivery.against import null
    from premix.delivery.manifest import to_plain

    pairs = null(a, b)
    holds = all(pair.result is not None and pair.result.holds(below) for pair in pairs)
    if as_json:
        show.document({"below_dbfs": below, "holds": holds, "files": to_plain(pairs)})
        return 0 if holds else 4
    rows = []
    for pair in pairs:
        r = pair.result
        if r is None:
            rows.append([pair.name, f"missing in {pair.missing_in}", "", "", ""])
            continue
        rows.append(
            [
                pair.name,
                _level(r.residual_peak_dbfs),
                _level(r.residual_rms_dbfs),
                _level(r.residual_best_gain_rms_dbfs),
                "-" if r.first_difference_s is None else f"{r.first_difference_s:.6f} s",
            ]
        )
    show.table(["file", "residual peak dBFS", "rms dBFS", "rms at best gain", "first difference"], rows)
    show.say(f"{'nulls' if holds else 'does not null'} below {below:g} dBFS")
    return 0 if holds else 4


def _level(dbfs: float | None) -> str:
    return "none" if dbfs is None else f"{dbfs:.1f}"
