"""The command `premix setups`: who moved by how much and when, over the songs of an album or the days of a session."""

from collections.abc import Sequence
from pathlib import Path

import click

from premix.cli import options, show
from premix.delivery.documents import read_manifest
from premix.errors import Exit, Problem, RecipeError
from premix.measures.drift import Drift, DriftPoint, drift_of
from premix.model.set_up import SetUp


@click.command("setups")
@click.argument("renders", metavar="A B...", type=options.PATH, nargs=-1, required=True)
@click.option(
    "--temperature",
    "temperatures",
    type=click.FloatRange(-40.0, 60.0),
    multiple=True,
    metavar="C",
    help="Of the air in degrees Celsius, once for each of A B... in their order; else it is found where it shows.",
)
@click.option("--page", type=options.PATH, help="Also write a page with the picture of it to this file.")
@options.as_json
def setups_command(
    renders: tuple[Path, ...], temperatures: tuple[float, ...], page: Path | None, as_json: bool
) -> Exit:
    """Compare the set-ups of renders A B..., in their order: folders, manifests, or a batch's folder of such.

    Each is held against those since the last change. A change is named where it exceeds its error.
    """
    songs = _read(renders)
    if temperatures and len(temperatures) != len(songs):
        raise click.UsageError(f"{len(temperatures)} temperatures for {len(songs)} songs; give --temperature once each")
    known = {name: celsius for (name, _), celsius in zip(songs, temperatures, strict=bool(temperatures))}
    drift = drift_of(songs, known)
    if drift is None:
        what = "there are not two songs of one reference whose set-up can be told"
        raise RecipeError(Problem("setups-nothing-to-compare", ", ".join(name for name, _ in songs), what))
    if page is not None:
        from premix.report.drift_page import write_drift_page
        from premix.report.page import missing_extra

        if (missing := missing_extra()) is not None:
            show.findings([missing])
        else:
            write_drift_page(drift, page)
    if as_json:
        show.document(drift)
    _show(drift)
    return Exit.DONE


def _read(renders: Sequence[Path]) -> list[tuple[str, SetUp | None]]:
    """Each song's name and set-up, in their order; names that occur twice get the folder's."""
    folders = [folder for render in renders for folder in _folders(render)]
    manifests = [(folder, read_manifest(folder)) for folder in folders]
    names = [manifest.song for _, manifest in manifests]
    found: list[tuple[str, SetUp | None]] = []
    for number, (folder, manifest) in enumerate(manifests, 1):
        name = manifest.song
        if names.count(name) > 1:
            name = (folder if folder.is_dir() else folder.parent).name or name
        if any(name == other for other, _ in found):
            name = f"{number} {name}"
        found.append((name, manifest.setup))
    return found


def _folders(render: Path) -> list[Path]:
    """The render itself, or those below a batch's folder, by name."""
    if render.is_dir() and not (render / "manifest.json").exists():
        below = sorted(path.parent for path in render.glob("*/manifest.json"))
        return below or [render]
    return [render]


def _show(drift: Drift) -> None:
    """The table of every mic against the first song, and what changed when."""
    show.say(f"against {drift.songs[0]}, {drift.reference} as the reference; mm of path, dB of level:")
    head = ["mic", *(name for song in drift.songs[1:] for name in (f"{song} mm", "dB"))]
    rows = [[mic.mic, *(cell for point in mic.points[1:] for cell in _cells(point))] for mic in drift.mics]
    show.table(head, rows)
    for song in drift.songs[1:]:
        words = [change.words for change in drift.changes if change.song == song]
        show.say(f"  {song}: {'; '.join(words) or 'as before'}")
    for song in drift.left_out:
        show.say(f"  {song}: left out, its set-up cannot be told, or has another reference")


def _cells(point: DriftPoint) -> tuple[str, str]:
    return _cell(point.moved_mm, point.moved_within_mm, 1), _cell(point.level_db, point.level_within_db, 2)


def _cell(value: float | None, within: float | None, digits: int) -> str:
    """'+5.0*': with a star where it exceeds its error."""
    if value is None or within is None:
        return "-"
    text = f"{value:+.{digits}f}"
    if float(text) == 0.0:
        text = text.replace("-", "+")
    return f"{text}{'*' if abs(value) > within else ''}"
