"""One song of a batch, as a worker gets it and as it comes back: plain data both ways, paths and no samples.

Whether a song's output folder holds what a render would put there, by hashes, never by times.

What a worker does with a song: leave it as it is, render it, or say why not.
"""

import importlib.metadata
import json
import socket
import time
import traceback
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from premix import __version__
from premix.audio.reader import TrackReader
from premix.batch.album import SongFacts, facts_of
from premix.batch.pulse import Pulse, StoppedError
from premix.delivery.manifest import relative_path, to_plain
from premix.delivery.package import MANIFEST, Package
from premix.errors import DeliveryError, Problem, UserError
from premix.model.alignment import Sheet
from premix.model.recipe import MergedRecipe
from premix.model.tracks import Track, TrackSet
from premix.pipeline import load, render
from premix.processors.check import chain_files
from premix.recipe.read import read_sheet
from premix.report.page import missing_extra

Status = Literal["rendered", "unchanged", "problems", "lost", "bug", "stopped"]


@dataclass(frozen=True, slots=True)
class RenderOptions:
    """How every song is rendered. settings, recover, report: as a render takes them. force: also what is unchanged."""

    settings: tuple[str, ...] = ()
    force: bool = False
    recover: bool = False
    report: bool = False


@dataclass(frozen=True, slots=True)
class SongJob:
    """What a worker has to know.

    go: the batch's go-ahead file. sheet: alignment sheet of this song. extra_trim_db: on top of the ceiling's trim;
    None: none, and a song that is there may have any. version: of the premix that asks.
    """

    name: str
    recipe: Path
    folder: Path
    out: Path
    go: Path
    sheet: Path | None = None
    options: RenderOptions = RenderOptions()
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


def finished_manifest(out: Path) -> dict[str, Any] | None:
    """The manifest of a finished song, None where there is none or a file that it names is gone."""
    try:
        manifest: dict[str, Any] = json.loads((out / MANIFEST).read_text("utf-8"))
        whole = all((out / name).is_file() for name in manifest["written"])
    except (OSError, ValueError, TypeError, KeyError):
        return None
    return manifest if whole else None


def unchanged(manifest: Mapping[str, Any], merged: MergedRecipe, tracks: TrackSet, sheet: Sheet | None = None) -> bool:
    """Whether the manifest is of these tracks, this merged recipe and sheet, this premix and these libraries.

    Reads every sample of the tracks: the hash in the manifest is the one that the render itself took. Reads the files
    that chains name, too: impulse responses, plug-ins and their states.
    """
    try:
        return (
            manifest["premix"] == __version__
            and all(importlib.metadata.version(name) == version for name, version in manifest["libraries"].items())
            and manifest["recipe"]["sha256"] == merged.sha256
            and manifest["sheet"] == (None if sheet is None else {"sha256": sheet.sha256})
            and manifest["chain_files"] == to_plain(chain_files(merged.recipe))
            and manifest["song"] == tracks.song
            and manifest["time_reference"] == tracks.time_reference
            and len(manifest["inputs"]) == len(tracks.tracks)
            and all(map(lambda entry, track: _same(entry, track, tracks.folder), manifest["inputs"], tracks.tracks))
        )
    except (KeyError, TypeError, AttributeError, OSError, importlib.metadata.PackageNotFoundError):
        return False


def _same(entry: Mapping[str, Any], track: Track, folder: Path) -> bool:
    header = track.header
    heads = (entry["performance"], entry["mic"], entry["path"], entry["frames"], entry["subtype"]) == (
        track.performance,
        track.mic,
        relative_path(track, folder),
        header.frames,
        header.subtype,
    ) and (entry["start_samples"], entry["recovered"]) == (track.start, header.recovered)
    return heads and entry["sha256"] == _sha256(track)


def _sha256(track: Track) -> str:
    with TrackReader(track, hash_samples=True) as reader:
        return reader.sha256()


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
    return Problem(slug, where, what)
