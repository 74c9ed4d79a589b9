"""One song of a batch: what a worker is asked for, what it does, and what comes back.

Plain data both ways, paths and no samples. A worker leaves a song as it is where its output folder holds what a render
would put there (by hashes, never by times), renders it, or says why not.
"""

import contextlib
import importlib.metadata
import os
import signal
import socket
import time
import traceback
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Literal

from premix import __version__
from premix.alignment.approved import Approved
from premix.audio.reader import TrackReader
from premix.batch.outputs import note, ruined
from premix.delivery.documents import MANIFEST, read_manifest, relative_path
from premix.delivery.package import Package
from premix.errors import DeliveryError, Exit, Problem, RecipeError, UserError
from premix.model.alignment import Sheet
from premix.model.manifest import InputEntry, Manifest, UsedSheet
from premix.model.song import Song
from premix.model.tracks import Track
from premix.pipeline import Progress, given_decisions, load, render
from premix.processors.chains import chain_files
from premix.report.page import missing_extra

TRIM_TOLERANCE_DB = 0.005

Status = Literal["rendered", "unchanged", "problems", "lost", "bug", "stopped"]

_MEANING: dict[Status, tuple[str, Exit]] = {
    "rendered": ("done", Exit.DONE),
    "unchanged": ("unchanged", Exit.DONE),
    "problems": ("needs you", Exit.USER),
    "lost": ("lost", Exit.USER),
    "bug": ("bug", Exit.BUG),
    "stopped": ("not done", Exit.USER),
}
"""Status -> the word for it, and the exit code that a batch of such songs has."""


@dataclass(frozen=True, slots=True)
class RenderOptions:
    """How every song is rendered, under the names that `render` has. force: also what is unchanged.

    verify: read every sample of what is there before it counts as unchanged; no matter of a render.
    """

    settings: tuple[str, ...] = ()
    force: bool = False
    recover: bool = False
    allow_plug_ins: bool = False
    report: bool = False
    verify: bool = False


@dataclass(frozen=True, slots=True)
class SongJob:
    """What a worker has to know.

    go: the batch's go-ahead file. sheet: alignment sheet of this song, or an approved render. extra_trim_db: on top of
    the ceiling's trim; None: none, and a song that is there may have any. version: of the premix that asks.
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
    """What became of a song. manifest: of a song that is there, without the gate's spans. log: traceback of a bug."""

    name: str
    status: Status
    manifest: Manifest | None = None
    problems: tuple[Problem, ...] = ()
    seconds: float = 0.0
    log: str = ""

    @property
    def broken(self) -> tuple[str, ...]:
        """The limits that are broken, in words."""
        findings = self.manifest.findings if self.manifest else ()
        return tuple(f"{one.subject}: {one.message}" for f in findings if f.breaks_limit for one in f.all)

    @property
    def left_out(self) -> tuple[str, ...]:
        """Mics and performances of a finished song that are not in its sums: without a file, or refused."""
        if self.manifest is None:
            return ()
        roll, decisions = self.manifest.roll_call, self.manifest.alignment
        refused = (f"{d.performance}/{d.mic}" for d in decisions if d.refusal is not None and not d.summed)
        return (*(one.label for one in (roll.left_out if roll else ())), *refused)

    @property
    def verdict(self) -> str:
        """done, unchanged, limits broken, mics left out, needs you, lost, bug, or not done.

        A song that lacks a mic never reads as if nothing was the matter.
        """
        if self.broken:
            return "limits broken"
        return "mics left out" if self.left_out else _MEANING[self.status][0]

    @property
    def exit(self) -> Exit:
        """The exit code that this song alone would have."""
        code = _MEANING[self.status][1]
        return Exit.BROKEN if code is Exit.DONE and self.broken else code


class EndedError(BaseException):
    """This process was asked to end while it renders a song."""


_at_work: list[SongJob] = []
_asked_to_end: list[int] = []


def end_cleanly(number: int, frame: object) -> None:
    """For a worker's process that is asked to end: leave the song as if it had not been begun."""
    signal.signal(number, signal.SIG_IGN)
    if not _at_work:
        os._exit(128 + number)
    _asked_to_end.append(number)
    raise EndedError


def render_song(job: SongJob) -> SongResult:
    """Render a song unless it is there already; every failure is a result, so that no song stops another."""
    _at_work.append(job)
    try:
        return _render_song(job)
    except EndedError:
        os._exit(128 + signal.SIGTERM)
    finally:
        _at_work.pop()


def _render_song(job: SongJob) -> SongResult:
    start = time.perf_counter()
    pulse = Pulse(job.go, job.name)
    manifest: Manifest | None = None
    problems: Sequence[Problem] = ()
    log = ""
    try:
        if job.version != __version__:
            what = f"this worker runs premix {__version__}, the batch was started by {job.version}"
            raise UserError(Problem("batch-other-version", socket.gethostname(), what))
        pulse.begin("reading", 1)
        manifest = None if job.options.force else _manifest_if_unchanged(job)
        status: Status = "unchanged"
        spoilt = None if manifest is None else ruined(job.out, every_sample=job.options.verify)
        if manifest is None or spoilt is not None:
            manifest, status = None, "rendered"
            manifest = _render(job, pulse)
            problems = [spoilt] if spoilt is not None else []
            note(job.out)
    except UserError as error:
        status, problems = "problems", error.problems
    except StoppedError:
        status = "stopped"
    except MemoryError:
        status = "problems"
        problems = [Problem("batch-no-memory", job.name, "the machine has not enough memory")]
    except Exception as error:
        if _asked_to_end:  # a library took the end for a fault of its own
            raise EndedError from error
        what = f"premix has a bug: {type(error).__name__}: {error}"
        status, problems, log = "bug", [Problem("batch-bug", job.name, what)], traceback.format_exc()
    finally:
        pulse.end()
    if manifest is None and status != "stopped":
        problems = [*problems, *_left_over(job)]
    return SongResult(job.name, status, manifest, tuple(problems), time.perf_counter() - start, log)


def lost_song(job: SongJob, error: BaseException) -> SongResult:
    """The result of a song whose worker ended without an answer, twice. Clears what the worker left in OUT."""
    with contextlib.suppress(DeliveryError), Package(job.out, inputs_folder=job.folder):
        pass  # entering removes the unfinished folder of a killed run, leaving without a commit writes nothing
    what = f"its worker ended without a result, twice ({type(error).__name__})"
    return SongResult(job.name, "lost", problems=(Problem("batch-song-lost", job.name, what), *_left_over(job)))


def _left_over(job: SongJob) -> list[Problem]:
    """A word of warning where a song that failed has files of an earlier render in OUT."""
    if not (job.out / MANIFEST).exists():
        return []
    return [Problem("batch-earlier-render", str(job.out), "what lies there is of an earlier render")]


def _render(job: SongJob, pulse: "Pulse") -> Manifest:
    options, trim_db = asdict(job.options), job.extra_trim_db or 0.0
    del options["verify"]
    render(job.recipe, job.folder, job.out, **options, sheet=job.sheet, extra_trim_db=trim_db, progress=pulse)
    return _without_spans(read_manifest(job.out))


def _manifest_if_unchanged(job: SongJob) -> Manifest | None:
    manifest = finished_manifest(job.out)
    if manifest is None or not has_trim(manifest, job.extra_trim_db):
        return None
    if job.options.report and report_of(manifest) is None and missing_extra() is None:
        return None
    options = job.options
    _, song = load(
        job.recipe, job.folder, options.settings, recover=options.recover, allow_plug_ins=options.allow_plug_ins
    )
    sheet = None if job.sheet is None else given_decisions(job.sheet)
    return _without_spans(manifest) if unchanged(manifest, song, sheet) else None


def has_trim(manifest: Manifest, extra_trim_db: float | None) -> bool:
    """Whether the song has this extra trim; None: any will do."""
    return extra_trim_db is None or abs(extra_trim_db - manifest.extra_trim_db) < TRIM_TOLERANCE_DB


def finished_manifest(out: Path) -> Manifest | None:
    """The manifest of a finished song, None where there is none or a file that it names is gone."""
    try:
        manifest = read_manifest(out)
    except RecipeError:
        return None
    return manifest if manifest.written and all((out / name).is_file() for name in manifest.written) else None


def report_of(manifest: Manifest) -> str | None:
    """The path of a song's page in its output folder, None where it has none."""
    return next((path for path in manifest.written if path.endswith("_report.html")), None)


def unchanged(manifest: Manifest, song: Song, sheet: Sheet | Approved | None = None) -> bool:
    """Whether the manifest is of this song's tracks and recipe, of what aligned it, this premix and its libraries.

    Reads every sample of the tracks: the hash in the manifest is the one that the render itself took. Reads the files
    that chains name, too: impulse responses, plug-ins and their states.
    """
    try:
        return (
            manifest.premix == __version__
            and all(importlib.metadata.version(name) == version for name, version in manifest.libraries.items())
            and manifest.recipe.sha256 == song.recipe.sha256
            and manifest.sheet == (None if sheet is None else UsedSheet(sha256=sheet.sha256))
            and manifest.chain_files == chain_files(song)
            and manifest.song == song.name
            and manifest.roll_call == song.roll_call
            and manifest.time_reference == song.time_reference
            and len(manifest.inputs) == len(song.mics)
            and all(_same(e, mic.track, song.folder) for e, mic in zip(manifest.inputs, song.mics, strict=True))
        )
    except (OSError, importlib.metadata.PackageNotFoundError):
        return False


def _same(entry: InputEntry, track: Track, folder: Path) -> bool:
    header = track.header
    known = (
        (entry.performance, entry.mic, entry.path) == (track.performance, track.mic, relative_path(track, folder))
        and (entry.frames, entry.subtype, entry.recovered) == (header.frames, header.subtype, header.recovered)
        and entry.start_samples == track.start
    )
    if not known:
        return False
    with TrackReader(track, hash_samples=True) as reader:
        return reader.sha256() == entry.sha256


def _without_spans(manifest: Manifest) -> Manifest:
    """Without what a batch does not ask and an hour has tens of thousands of: it is sent, and kept for every song."""
    return replace(manifest, gate=tuple(replace(gate, riff=(), open=()) for gate in manifest.gate))


_CHECK_S = 0.25
_SHARES = {"reading": (0.0, 0.45), "rendering": (0.45, 0.9), "rendering trimmed": (0.9, 1.0)}
"""How much of a song is done at the begin and the end of its long steps, roughly."""


class StoppedError(Exception):
    """The batch that asked for this song does not want it any more."""


class Pulse(Progress):
    """A song's line to its batch (`premix.batch.runner.Hub`): tells how far it is, stops when it is not wanted.

    Every step raises StoppedError where the go-ahead file is gone.
    """

    def __init__(self, go: Path, name: str) -> None:
        self._go, self._path = go, go.parent / f"{name}.share"
        self._step, self._samples, self._done, self._next = (0.0, 0.0), 1, 0, 0.0

    def begin(self, step: str, samples: int) -> None:
        so_far = self._step[1]
        self._step, self._samples, self._done = _SHARES.get(step, (so_far, so_far)), max(samples, 1), 0
        self._beat()

    def advance(self, samples: int) -> None:
        self._done += samples
        if time.monotonic() >= self._next:
            self._beat()

    def end(self) -> None:
        """The song is not under way any more."""
        with contextlib.suppress(OSError):
            self._path.unlink(missing_ok=True)

    def _beat(self) -> None:
        if not self._go.exists():
            raise StoppedError
        begin, end = self._step
        share = begin + (end - begin) * min(1.0, self._done / self._samples)
        with contextlib.suppress(OSError):  # a full disk must not stop a song over its progress
            self._path.write_text(f"{share:.3f}")
        self._next = time.monotonic() + _CHECK_S
