"""The order of a batch: songs -> jobs over an engine -> matched loudness -> what differs between the songs."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from premix.batch.album import (
    Difference,
    Matching,
    Songs,
    beyond_limits,
    clear_levels,
    differences,
    drifts_of,
    keep_levels,
    kept_levels,
    match_loudness,
)
from premix.batch.engines import engine_for, songs_at_once
from premix.batch.runner import Hub, Runner, Watch, Work
from premix.batch.sheets import sheets_of
from premix.batch.songs import SongFolder, find_songs
from premix.batch.work import RenderOptions, SongJob, SongResult, has_trim, render_song
from premix.errors import Exit, Finding
from premix.measures.drift import Drift
from premix.model.findings import FindingEntry, grouped
from premix.model.settings import Limits
from premix.recipe.read import read_recipe
from premix.recipe.resolve import song_of

Match = Literal["kept", "loudness", "none"]
"""kept: as an earlier batch into the same OUT; loudness: anew; none: not, and what is kept is forgotten."""

_EVER_GRAVER = (Exit.DONE, Exit.BROKEN, Exit.USER, Exit.BUG)


@dataclass(frozen=True, slots=True)
class Batch:
    """A batch that has ended: one result a song in the order they were given.

    matching: None without. differences: between songs that share a set-up. findings: of the batch itself.
    drifts: each set-up over its songs.
    """

    results: tuple[SongResult, ...]
    matching: Matching | None
    differences: tuple[Difference, ...]
    findings: tuple[Finding, ...]
    interrupted: bool
    drifts: tuple[Drift, ...] = ()

    @property
    def told(self) -> tuple[FindingEntry, ...]:
        """What differs between songs and what is to be known of the batch, an entry a kind."""
        return grouped((*(difference.finding() for difference in self.differences), *self.findings))

    @property
    def exit(self) -> Exit:
        """One code for the batch, that of its gravest song: a bug, a song needs the user, a limit is broken."""
        if self.interrupted:
            return Exit.INTERRUPTED
        return max((result.exit for result in self.results), key=_EVER_GRAVER.index, default=Exit.DONE)


def run_batch(
    recipe: Path,
    songs: Sequence[str],
    out: Path,
    *,
    options: RenderOptions | None = None,
    match: Match = "none",
    sheets: Path | None = None,
    jobs: int | None = None,
    scheduler: str | None = None,
    watch: Watch | None = None,
    work: Work = render_song,
) -> Batch:
    """Render every song into OUT/<its folder's name>; a song that fails never stops another.

    songs: as `find_songs` takes them. sheets: sheets and approved renders, as `sheets_of` takes them. jobs: songs at
    once, by default one a core, never more than fit into the free memory. scheduler: address of a dask scheduler, or
    'local'. Raises UserError where the batch cannot begin.
    """
    options = options or RenderOptions()
    wanted = song_of(read_recipe(recipe, settings=options.settings))
    found = find_songs(songs, wanted, out)
    sheet_of = sheets_of(sheets, found) if sheets is not None else {}
    at_once, findings = songs_at_once(jobs, len(found))
    # Other machines know no current folder of ours.
    place: Callable[[Path], Path] = Path if scheduler is None else Path.absolute
    kept_lufs = kept_levels(out) if match == "kept" else None
    matched = match == "loudness" or kept_lufs is not None
    with Hub(out) as hub, engine_for(scheduler, at_once, hub.go) as engine:
        asked = [
            SongJob(
                name=song.name,
                recipe=place(recipe),
                folder=place(song.folder),
                out=place(out / song.name),
                go=place(hub.go),
                sheet=place(sheet_of[song.name]) if sheet_of else None,
                options=options,
                extra_trim_db=None if matched else 0.0,
            )
            for song in found
        ]
        runner = Runner(engine, hub, watch or Watch(), work)
        matching, interrupted = _run(runner, asked, matched, kept_lufs)
        if matching is not None and matching.target_lufs is not None and not interrupted:
            keep_levels(out, matching)
        elif match == "none" and not interrupted:
            clear_levels(out)
    return _told(found, runner, asked, wanted.limits, matching, findings, interrupted=interrupted)


def _told(
    found: Sequence[SongFolder],
    runner: Runner,
    asked: Sequence[SongJob],
    limits: Limits,
    matching: Matching | None,
    findings: Sequence[Finding],
    *,
    interrupted: bool,
) -> Batch:
    """The batch with what its songs say of each other: drifts of the set-ups, the limits on these, differences."""
    songs_there = _rendered(runner, asked)
    drifts = drifts_of(songs_there)
    broken = beyond_limits(drifts, limits)
    return Batch(
        results=tuple(
            _with_broken(runner.results.get(song.name, SongResult(song.name, "stopped")), broken) for song in found
        ),
        matching=matching,
        differences=differences(songs_there, drifts),
        findings=(*findings, *(matching.findings if matching else ())),
        interrupted=interrupted,
        drifts=drifts,
    )


def _with_broken(result: SongResult, broken: Mapping[str, Sequence[Finding]]) -> SongResult:
    """The song with the limits that it breaks beside the others of its album; its own files do not know of them."""
    own = broken.get(result.name, ())
    if result.manifest is None or not own:
        return result
    return replace(result, manifest=replace(result.manifest, findings=(*grouped(own), *result.manifest.findings)))


def _run(
    runner: Runner, asked: Sequence[SongJob], matched: bool, kept_lufs: float | None
) -> tuple[Matching | None, bool]:
    """Run the jobs, and once more what has to be matched; whether that was interrupted."""
    matching = None
    try:
        runner.run(asked)
        if matched:
            matching = match_loudness(_rendered(runner, asked), kept_lufs)
            _render_matched(runner, asked, matching)
    except KeyboardInterrupt:
        return matching, True
    return matching, False


def _rendered(runner: Runner, asked: Sequence[SongJob]) -> Songs:
    """The songs that are there, in their order."""
    known = (runner.results.get(job.name) for job in asked)
    return [(result.name, result.manifest) for result in known if result is not None and result.manifest is not None]


def _render_matched(runner: Runner, asked: Sequence[SongJob], matching: Matching) -> None:
    """Render again what does not have its matching trim yet."""
    first = dict(runner.results)
    again = []
    for job in asked:
        manifest, trim_db = first[job.name].manifest, matching.trims_db.get(job.name)
        if manifest is not None and not has_trim(manifest, trim_db):
            again.append(replace(job, extra_trim_db=trim_db))
    runner.run(again)
    for job in again:
        result = runner.results[job.name]
        runner.results[job.name] = replace(result, seconds=first[job.name].seconds + result.seconds)
