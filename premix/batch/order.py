"""The order of a batch: songs -> jobs over an engine -> matched loudness -> what differs between the songs."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from premix.batch.album import Difference, Matching, SongFacts, differences, match_loudness
from premix.batch.engines import ClusterEngine, Engine, ProcessEngine, cores, fitting_jobs, free_bytes
from premix.batch.pulse import Hub
from premix.batch.run import Runner, Watch, Work
from premix.batch.songs import Song, find_songs
from premix.batch.work import TRIM_TOLERANCE_DB, RenderOptions, SongJob, SongResult, render_song
from premix.errors import Problem, RecipeError
from premix.model.finding import Finding
from premix.recipe.read import read_recipe

Match = Literal["loudness", "none"]


@dataclass(frozen=True, slots=True)
class Batch:
    """A batch that has ended: one result a song in the order they were given.

    matching: None without. differences: between songs that share a set-up. findings: of the batch itself.
    """

    results: tuple[SongResult, ...]
    matching: Matching | None
    differences: tuple[Difference, ...]
    findings: tuple[Finding, ...]
    interrupted: bool


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

    songs: as `find_songs` takes them. sheets: folder with an alignment sheet <song>.yaml for each song. jobs: songs
    at once, by default one a core, never more than fit into the free memory. scheduler: address of a dask
    scheduler, or 'local'. Raises UserError where the batch cannot begin.
    """
    options = options or RenderOptions()
    house = read_recipe(recipe, settings=options.settings).recipe
    found = find_songs(songs, house, out)
    sheet_of = _sheets(sheets, found)
    at_once, findings = _at_once(jobs, len(found))
    trim_db = None if match == "loudness" else 0.0
    with Hub(out) as hub, _engine(scheduler, at_once, hub) as engine:
        asked = [
            SongJob(song.name, recipe, song.folder, out / song.name, hub.go, sheet_of.get(song.name), options, trim_db)
            for song in found
        ]
        runner = Runner(engine, hub, watch or Watch(), work)
        matching, interrupted = _run(runner, asked if scheduler is None else list(map(_for_elsewhere, asked)), match)
    return Batch(
        results=tuple(runner.results.get(song.name, SongResult(song.name, "stopped")) for song in found),
        matching=matching,
        differences=differences(_rendered(runner.results, asked)),
        findings=(*findings, *(matching.findings if matching else ())),
        interrupted=interrupted,
    )


def _run(runner: Runner, asked: Sequence[SongJob], match: Match) -> tuple[Matching | None, bool]:
    """Run the jobs, and once more what has to be matched; whether that was interrupted."""
    matching = None
    try:
        runner.run(asked)
        if match == "loudness":
            matching = match_loudness(_rendered(runner.results, asked))
            _render_matched(runner, asked, matching)
    except KeyboardInterrupt:
        return matching, True
    return matching, False


def _sheets(folder: Path | None, songs: Sequence[Song]) -> dict[str, Path]:
    """The sheet of each song; RecipeError with every song that has none."""
    if folder is None:
        return {}
    found = {song.name: folder / f"{song.name}.yaml" for song in songs}
    slug = "batch-no-sheet"
    problems = [
        Problem(slug, song, f"there is no alignment sheet {path}") for song, path in found.items() if not path.exists()
    ]
    if problems:
        raise RecipeError(problems)
    return found


def _for_elsewhere(job: SongJob) -> SongJob:
    """The job with whole paths: other machines know no current folder of ours."""
    return replace(
        job,
        recipe=job.recipe.absolute(),
        folder=job.folder.absolute(),
        out=job.out.absolute(),
        go=job.go.absolute(),
        sheet=job.sheet and job.sheet.absolute(),
    )


def _at_once(jobs: int | None, songs: int) -> tuple[int, tuple[Finding, ...]]:
    """Songs at once: as asked or one a core, but no more than there are and than fit into the free memory."""
    wanted = min(jobs or cores(), max(songs, 1))
    free = free_bytes()
    fitting = fitting_jobs(free)
    if free is None or fitting is None or fitting >= wanted:
        return wanted, ()
    slug, what = "batch-fewer-jobs", f"{free / 1e9:.1f} GB of memory are free: {fitting} at once, not {wanted}"
    return fitting, (Finding(slug, "info", "--jobs", what),)


@contextmanager
def _engine(scheduler: str | None, jobs: int, hub: Hub) -> Iterator[Engine]:
    if scheduler is None:
        yield ProcessEngine(jobs, hub.go)
    else:
        with ClusterEngine(scheduler, jobs) as cluster:
            yield cluster


def _rendered(results: dict[str, SongResult], jobs: Sequence[SongJob]) -> list[tuple[str, SongFacts]]:
    known = (results.get(job.name) for job in jobs)
    return [(result.name, result.facts) for result in known if result is not None and result.facts is not None]


def _render_matched(runner: Runner, asked: Sequence[SongJob], matching: Matching) -> None:
    """Render again what does not have its matching trim yet."""
    first = dict(runner.results)
    again = []
    for job in asked:
        facts, trim_db = first[job.name].facts, matching.trims_db.get(job.name)
        if facts is not None and trim_db is not None and abs(facts.extra_trim_db - trim_db) >= TRIM_TOLERANCE_DB:
            again.append(replace(job, extra_trim_db=trim_db))
    runner.run(again)
    for job in again:
        result = runner.results[job.name]
        runner.results[job.name] = replace(result, seconds=first[job.name].seconds + result.seconds)
