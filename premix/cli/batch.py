"""The command `premix batch`: many songs, and what is told while they are rendered."""

import shutil
import sys
import time
from collections.abc import Mapping
from pathlib import Path

import click

from premix.batch.cluster import ADDRESS_FORM, is_address
from premix.batch.engines import LOCAL
from premix.batch.order import Batch, Match, run_batch
from premix.batch.runner import Watch
from premix.batch.summary import check_summary, counts, document, rows_of, song_table, write_summary
from premix.batch.work import RenderOptions, SongResult
from premix.cli import options, show
from premix.cli.main import write_log
from premix.errors import DeliveryError, Exit, Problem


def _address(context: click.Context, option: click.Parameter, value: str | None) -> str | None:
    """The option's value; a usage error where no scheduler can have such an address."""
    if value is not None and value != LOCAL and not is_address(value):
        raise click.BadParameter(f"{value!r} is no address; allowed: {ADDRESS_FORM}")
    return value


@click.command("batch")
@options.recipe
@click.argument("songs", metavar="SONG...", nargs=-1, required=True)
@click.option("--out", required=True, type=options.PATH, help="Folder for the songs' folders.")
@click.option("--jobs", type=click.IntRange(1, 1024), help="Songs at once. Default: one a core, as memory allows.")
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    callback=_address,
    help="Render on a dask scheduler's workers; `local` starts some here.",
)
@click.option(
    "--alignment",
    "sheets",
    metavar="FOLDER",
    type=options.PATH,
    help="Align each song with what FOLDER holds for it: an alignment sheet <song>.yaml, or an approved render, "
    "<song>.json or <song>/manifest.json; FOLDER/manifest.json, or a manifest instead of FOLDER, is for all songs.",
)
@click.option("--force", is_flag=True, help="Render again what is unchanged, and replace what premix did not write.")
@click.option("--verify", is_flag=True, help="Read every sample of what is there before it counts as unchanged.")
@click.option(
    "--match",
    type=click.Choice(["kept", "loudness", "none"]),
    default="kept",
    show_default=True,
    help="loudness: trim every song's guitar bus down to the softest one's, and keep that in OUT for the next batch. "
    "none: as each song is; what is kept is forgotten.",
)
@click.option("--summary-markdown", type=options.PATH, help="Also write the summary as Markdown.")
@click.option("--no-report", is_flag=True, help="Make no HTML pages.")
@options.recover
@options.allow_plug_ins
@options.settings
@options.as_json
def batch_command(
    recipe: Path,
    songs: tuple[str, ...],
    out: Path,
    jobs: int | None,
    scheduler: str | None,
    sheets: Path | None,
    force: bool,
    verify: bool,
    match: Match,
    summary_markdown: Path | None,
    no_report: bool,
    recover: bool,
    allow_plug_ins: bool,
    settings: tuple[str, ...],
    as_json: bool,
) -> Exit:
    """Render every SONG after RECIPE into a folder of its own in OUT.

    SONG is a folder of tracks, a folder of such folders, a glob, or @FILE with one of these a line. A song that
    fails never stops another; one whose tracks, recipe and premix are unchanged is not rendered again.
    """
    if summary_markdown is not None and not summary_markdown.absolute().parent.is_dir():  # before the work, not after
        raise DeliveryError(Problem("batch-no-summary-folder", str(summary_markdown), "its folder does not exist"))
    check_summary(out, summary_markdown)
    watch = LineWatch()
    try:
        batch = run_batch(
            recipe,
            songs,
            out,
            options=RenderOptions(settings, force, recover, allow_plug_ins, report=not no_report, verify=verify),
            match=match,
            sheets=sheets,
            jobs=jobs,
            scheduler=scheduler,
            watch=watch,
        )
    finally:
        watch.clear()
    _show(batch)
    show.missing_page(no_report)
    write_summary(batch, out, summary_markdown, report=not no_report)
    if as_json:
        show.document(document(batch))
    return batch.exit


def _show(batch: Batch) -> None:
    """The table, what the user has to know of each song, and what differs between them."""
    rows = rows_of(batch)
    head, *cells = song_table(rows)
    show.table(head, cells)
    for row in rows:
        for line in row.told:
            show.say(f"  {row.song}: {line}")
    for result in batch.results:
        if result.log:
            show.say(f"  {result.name}: log: {write_log(result.name, result.log)}")
    manifests = [result.manifest for result in batch.results if result.manifest is not None]
    show.plug_ins(dict.fromkeys(file for manifest in manifests for file in manifest.chain_files))
    if batch.matching is not None:
        show.say(f"  {batch.matching.told()}")
    show.kinds(batch.told)
    if batch.interrupted:
        show.say("interrupted: what is finished stays; the same command goes on from here")
    show.say(counts(rows))


class LineWatch(Watch):
    """One line a finished song; on a terminal also a line below with what is under way and the time left."""

    def __init__(self) -> None:
        self._live = sys.stderr.isatty()
        self._songs = self._finished = self._rendered = 0
        self._start = time.monotonic()
        self._drawn = False

    def begin(self, songs: int) -> None:
        self._songs, self._finished, self._rendered = songs, 0, 0
        self._start = time.monotonic()

    def finished(self, result: SongResult) -> None:
        self._finished += 1
        self._rendered += result.status != "unchanged"
        self.clear()
        show.say(f"[{self._finished}/{self._songs}] {result.name}: {result.verdict}, {result.seconds:.1f} s")

    def warn(self, text: str) -> None:
        self.clear()
        show.say(text)

    def tick(self, shares: Mapping[str, float]) -> None:
        if self._live and self._finished < self._songs:
            self.clear()
            click.echo(self._line(shares)[: shutil.get_terminal_size().columns - 1], nl=False, err=True)
            self._drawn = True

    def clear(self) -> None:
        """Take the live line away."""
        if self._drawn:
            click.echo("\r\x1b[K", nl=False, err=True)
            self._drawn = False

    def _line(self, shares: Mapping[str, float]) -> str:
        """'[3/8] 1:45 left  Tidewater 63 %  Undertow 12 %': unchanged songs cost nothing and are left out."""
        done = self._rendered + sum(shares.values())
        left = ""
        if done > 0.05:
            seconds = (time.monotonic() - self._start) * (self._songs - self._finished - sum(shares.values())) / done
            left = f" {int(seconds) // 60}:{int(seconds) % 60:02d} left"
        songs = "".join(f"  {name} {100 * share:.0f} %" for name, share in sorted(shares.items()))
        return f"[{self._finished}/{self._songs}]{left}{songs}"
