"""One song of a batch, as a worker gets it and as it comes back: plain data both ways, paths and no samples."""

import socket
import time
import traceback
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from premix import __version__
from premix.batch.facts import SongFacts, facts_of
from premix.batch.pulse import Pulse, StoppedError
from premix.batch.unchanged import finished_manifest, unchanged
from premix.delivery.package import Package
from premix.errors import DeliveryError, Problem, UserError
from premix.messages.batch import SLUGS
from premix.pipeline import load, render

Status = Literal["rendered", "unchanged", "problems", "lost", "bug", "stopped"]

TRIM_TOLERANCE_DB = 0.005


@dataclass(frozen=True, slots=True)
class SongJob:
    """What a worker has to know. extra_trim_db: on top of the ceiling's trim; None: none, and any is left as it is.
    go: the batch's go-ahead file. version: of the premix that asks."""

    name: str
    recipe: Path
    folder: Path
    out: Path
    go: Path
    settings: tuple[str, ...] = ()
    force: bool = False
    extra_trim_db: float | None = 0.0
    version: str = __version__


@dataclass(frozen=True, slots=True)
class SongResult:
    """What became of a song. facts: of a song that is there. log: traceback of a bug."""

    name: str
    status: Status
    facts: SongFacts | None = None
    problems: tuple[Problem, ...] = ()
    seconds: float = 0.0
    log: str = ""


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
        facts = None if job.force else _facts_if_unchanged(job)
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
    return SongResult(job.name, status, facts, tuple(problems), time.perf_counter() - start, log)


def lost_song(job: SongJob, error: BaseException) -> SongResult:
    """The result of a song whose worker ended without an answer, twice. Clears what the worker left in OUT."""
    with suppress(DeliveryError), Package(job.out, inputs_folder=job.folder):
        pass  # entering removes the unfinished folder of a killed run, leaving without a commit writes nothing
    what = f"its worker ended without a result, twice ({type(error).__name__}: {str(error).splitlines()[:1]})"
    return SongResult(job.name, "lost", problems=(_problem("batch-song-lost", job.name, what),))


def _check_version(job: SongJob) -> None:
    if job.version != __version__:
        what = f"this worker runs premix {__version__}, the batch was started by {job.version}"
        raise UserError(_problem("batch-other-version", socket.gethostname(), what))


def _facts_if_unchanged(job: SongJob) -> SongFacts | None:
    manifest = finished_manifest(job.out)
    if manifest is None or not _is_trimmed_right(job, manifest.get("extra_trim_db")):
        return None
    merged, tracks = load(job.recipe, job.folder, job.settings)
    return facts_of(manifest) if unchanged(manifest, merged, tracks) else None


def _is_trimmed_right(job: SongJob, extra_trim_db: object) -> bool:
    if not isinstance(extra_trim_db, float | int):
        return False
    return job.extra_trim_db is None or abs(job.extra_trim_db - extra_trim_db) < TRIM_TOLERANCE_DB


def _render(job: SongJob, pulse: Pulse) -> SongFacts:
    outcome = render(
        job.recipe,
        job.folder,
        job.out,
        settings=job.settings,
        force=job.force,
        extra_trim_db=job.extra_trim_db or 0.0,
        progress=pulse,
    )
    manifest = finished_manifest(job.out)
    return facts_of(manifest if manifest is not None else {**outcome.manifest, "written": []})


def _problem(slug: str, where: str, what: str) -> Problem:
    return Problem(slug, where, what, remedy=SLUGS[slug])
