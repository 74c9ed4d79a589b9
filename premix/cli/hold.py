"""The commands that hold files against something: `premix null` against other files, `premix verify` their manifest."""

from pathlib import Path

import click

from premix.cli import options, show
from premix.delivery import against
from premix.delivery.verify import Verified, delivered_folders, verify
from premix.errors import Exit


@click.command("null")
@click.argument("a", type=options.PATH)
@click.argument("b", type=options.PATH)
@click.option(
    "--below",
    type=float,
    default=-120.0,
    show_default=True,
    metavar="DBFS",
    help="Exit 4 when any file's residual peaks above this.",
)
@options.as_json
def null_command(a: Path, b: Path, below: float, as_json: bool) -> Exit:
    """Subtract B from A, two files or two output folders, and tell what is left."""
    pairs = against.null(a, b)
    holds = bool(pairs) and all(pair.result is not None and pair.result.holds(below) for pair in pairs)
    code = Exit.DONE if holds else Exit.BROKEN
    if as_json:
        show.document({"below_dbfs": below, "holds": holds, "files": pairs})
        return code
    rows = []
    for pair in pairs:
        left = pair.result
        if left is None:
            rows.append([pair.name, f"missing in {pair.missing_in}", "", "", ""])
            continue
        levels = (left.residual_peak_dbfs, left.residual_rms_dbfs, left.residual_best_gain_rms_dbfs)
        first = "-" if left.first_difference_s is None else f"{left.first_difference_s:.6f} s"
        rows.append([pair.name, *(show.figure(level, 1, "none") for level in levels), first])
    show.table(["file", "residual peak dBFS", "rms dBFS", "rms at best gain", "first difference"], rows)
    show.say(f"{'nulls' if holds else 'does not null'} below {below:g} dBFS")
    return code


@click.command("verify")
@click.argument("out", type=options.PATH, nargs=-1, required=True)
@click.option("--quick", is_flag=True, help="Look at sizes and headers only; no audio is read.")
@options.as_json
def verify_command(out: tuple[Path, ...], quick: bool, as_json: bool) -> Exit:
    """Check every file of OUT, a delivered folder or a batch's folder of such, against its manifest.

    Exit 4 where a file was changed, lost or added.
    """
    folders = [folder for top in out for folder in delivered_folders(top)]
    verified = [verify(folder, samples=not quick) for folder in folders]
    holds = all(one.holds for one in verified)
    if as_json:
        folders_told = [_verified_document(one) for one in verified]
        show.document({"holds": holds, "quick": quick, "folders": folders_told})
    for one in verified:
        wrong = sum(finding.severity == "error" for finding in one.findings)
        said = f"{wrong} differ{'s' if wrong == 1 else ''} from its manifest" if wrong else "as delivered"
        show.say(f"{one.folder}: {one.files} files, {said}")
        show.findings(one.findings)
    return Exit.DONE if holds else Exit.BROKEN


def _verified_document(one: Verified) -> dict[str, object]:
    return {"folder": one.folder, "files": one.files, "holds": one.holds, "findings": one.findings}
