"""What a worker does with a song: leave it as it is, render it, or say why not."""

import socket
import time
import traceback
from collections.abc import Sequence
from contextlib import suppress

from premix import __version__
from premix.batch.facts import SongFacts, facts_of
from premix.batch.job import SongJob, SongResult, Status
from premix.batch.pulse import Pulse, StoppedError
from premix.batch.unchanged import finished_manifest, unchanged
from premix.delivery.package import MANIFEST, Package
from premix.errors import DeliveryError, Problem, UserError
from premix.messages.batch import SLUGS
from premix.pipeline import load, render
from premix.recipe.sheet import read_sheet
from premix.report.extra import missing_extra

TRIM_TOLERANCE_DB = 0.005


def render_song(job: SongJob) -> SongResult:
    """Render a song unless it is there already; every failure is a result, so that no song stops another."""
    start = time.perf_counter()
    pulse = Pulse(job.go, job.name)
    facts: SongFacts | None = None
    problems: Sequence[Problem] = ()
    log = ""
    try:
        _check_version(job)
        pulse.begin("reading", 1)
        facts = None if job.options.force else _facts_if_unchanged(job)
        status: Status = "unchanged"
        if facts is None:
            facts, status = _render(job, pulse), "rendered"
    except UserError as error:
        status, problems = "problems", error.problems
    except StoppedError:
        status = "stopped"
    except MemoryError:
        status, problems = "problems", [_problem("batch-no-memory", job.name, "the machine has not enough memory")]
    except Exception as error:
        what = f"premix has a bug: {type(error).__name__}: {error}"
        status, problems, log = "bug", [_problem("batch-bug", job.name, what)], traceback.format_exc()
    finally:
        pulse.end()
    if facts is None and status != "stopped":
        problems = [*problems, *_left_over(job)]
    return SongResult(job.name, status, facts, tuple(problems), time.perf_counter() - start, log)


def lost_song(job: SongJob, error: BaseException) -> SongResult:
    """The result of a song whose worker ended without an answer, twice. Clears what the worker left in OUT."""
    with suppress(DeliveryError), Package(job.out, inputs_folder=job.folder):
        pass  # entering removes the unfinished folder of a killed run, leaving without a commit writes nothing
    what = f"its worker ended without a result, twice ({type(error).__name__})"
    return SongResult(job.name, "lost", problems=(_problem("batch-song-lost", job.name, what), *_left_over(job)))


def _left_over(job: SongJob) -> list[Problem]:
    """A word of warning where a song that failed has files of an earlier render in OUT."""
    if not (job.out / MANIFEST).exists():
        return []
    return [_problem("batch-earlier-render", str(job.out), "what lies there is of an earlier render")]


def _check_version(job: SongJob) -> None:
    if job.version != __version__:
        what = f"this worker runs premix {__version__}, the batch was started by {job.version}"
        raise UserError(_problem("batch-other-version", socket.gethostname(), what))


def _facts_if_unchanged(job: SongJob) -> SongFacts | None:
    manifest = finished_manifest(job.out)
    if manifest is None or not _is_trimmed_right(job, manifest.get("extra_trim_db")):
        return None
    facts = facts_of(manifest)
    if job.options.report and facts.report is None and missing_extra() is None:
        return None
    merged, tracks = load(job.recipe, job.folder, job.options.settings, recover=job.options.recover)
    sheet = None if job.sheet is None else read_sheet(job.sheet)
    return facts if unchanged(manifest, merged, tracks, sheet) else None


def _is_trimmed_right(job: SongJob, extra_trim_db: object) -> bool:
    if not isinstance(extra_trim_db, float | int):
        return False
    return job.extra_trim_db is None or abs(job.extra_trim_db - extra_trim_db) < TRIM_TOLERANCE_DB


def _render(job: SongJob, pulse: Pulse) -> SongFacts:
    outcome = render(
        job.recipe,
        job.folder,
        job.out,
        settings=job.options.settings,
        force=job.options.force,
        sheet=job.sheet,
        recover=job.options.recover,
        report=job.options.report,
        extra_trim_db=job.extra_trim_db or 0.0,
        progress=pulse,
    )
    manifest = finished_manifest(job.out)
    return facts_of(manifest if manifest is not None else {**outcome.manifest, "written": []})


def _problem(slug: str, where: str, what: str) -> Problem:
    return Problem(slug, where, what, remedy=SLUGS[slug])
