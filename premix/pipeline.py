"""The order of a run: recipe -> tracks -> analysis -> alignment -> gate -> mixdown -> delivery -> report."""

import math
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path

from premix.alignment.decide import align
from premix.analysis.intact import check_intact
from premix.analysis.scan import scan
from premix.delivery.manifest import manifest, write_manifest
from premix.delivery.names import document_name, file_names
from premix.delivery.package import Package
from premix.delivery.part_files import GUITARS, WITHOUT_CENTRE, Meters, PartFiles
from premix.delivery.track_sheet import sheet_rows, write_csv, write_text
from premix.errors import DeliveryError, Problem, RefusedError
from premix.gate.decide import decide_gates
from premix.measures.limits import check_limits
from premix.measures.same_take import same_take_findings
from premix.measures.tightness import tightness
from premix.messages.delivery import SLUGS as DELIVERY
from premix.mixdown.plan import parts_of, plan_mix
from premix.mixdown.render import render as mix
from premix.model.alignment import Alignment
from premix.model.analysis import Analysis
from premix.model.doubling import Tightness
from premix.model.finding import Finding
from premix.model.gate import Gating
from premix.model.recipe import MergedRecipe
from premix.model.render import MixPlan, Part, PartMeasures, Rendering, RoomQuiet
from premix.model.run import FinishedRun
from premix.model.tracks import TrackSet
from premix.recipe.read import read_recipe
from premix.tracks.find import find_tracks
from premix.tracks.intake import take_in
from premix.units import db_to_gain

Step = Callable[[str, int], None]
"""Told the name of a long step and how many samples of work it is (then 0 < n more done); see `Progress`."""


class Progress:
    """What a run tells of its long steps; the default tells nobody."""

    def begin(self, step: str, samples: int) -> None:
        """A step of `samples` samples of work begins."""

    def advance(self, samples: int) -> None:
        """So many of them are done."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """A song up to its decisions: nothing rendered yet."""

    merged: MergedRecipe
    tracks: TrackSet
    analysis: Analysis
    alignment: Alignment


@dataclass(frozen=True, slots=True)
class Outcome:
    """A finished render: its run, its manifest as plain data, the limits that are broken."""

    run: FinishedRun
    manifest: dict[str, object]
    broken: tuple[Finding, ...]


def load(recipe: Path, folder: Path, settings: Sequence[str] = ()) -> tuple[MergedRecipe, TrackSet]:
    """Recipe and tracks, checked; raises UserError with everything that is wrong."""
    merged = read_recipe(recipe, song_folder=folder, settings=settings)
    found, unused = find_tracks(merged.recipe, folder)
    tracks = take_in(found, merged.recipe, folder)
    return merged, replace(tracks, findings=(*unused, *tracks.findings))


@contextmanager
def prepare(
    recipe: Path,
    folder: Path,
    *,
    settings: Sequence[str] = (),
    threads: int = 1,
    progress: Progress | None = None,
) -> Iterator[Prepared]:
    """Everything up to the alignment's decisions; the key envelopes live as long as the context."""
    progress = progress or Progress()
    merged, tracks = load(recipe, folder, settings)
    with _scratch() as scratch:
        progress.begin("reading", tracks.frames * len(tracks.tracks))
        analysis = scan(tracks, merged.recipe, scratch, threads=threads, progress=progress.advance)
        analysis = check_intact(tracks, analysis)
        alignment = align(merged.recipe, analysis)
        yield Prepared(merged, tracks, analysis, alignment)


def render(
    recipe: Path,
    folder: Path,
    out: Path,
    *,
    settings: Sequence[str] = (),
    force: bool = False,
    threads: int = 1,
    progress: Progress | None = None,
) -> Outcome:
    """The main job: OUT appears whole or not at all. Raises UserError with what the user has to mend."""
    progress = progress or Progress()
    with (
        Package(out, inputs_folder=folder, force=force) as package,
        prepare(recipe, folder, settings=settings, threads=threads, progress=progress) as prepared,
    ):
        merged, tracks, analysis, alignment = (
            prepared.merged, prepared.tracks, prepared.analysis, prepared.alignment
        )
        stop_if_refused(merged, alignment)
        gating = decide_gates(merged.recipe, tracks, analysis, alignment)
        plan = plan_mix(merged.recipe, tracks, alignment, gating)
        with _pool(threads) as pool:
            rendering, plan = _render_files(merged, tracks, analysis, gating, plan, package, pool, progress)
        run = FinishedRun(merged, tracks, analysis, alignment, gating, plan, rendering)
        broken = check_limits(merged.recipe.limits, alignment, rendering)
        run = replace(run, rendering=replace(rendering, findings=(*rendering.findings, *broken)))
        document = manifest(run)
        _write_documents(run, document, package.folder)
        package.commit()
        return Outcome(run, document, tuple(f for f in broken if f.severity == "error"))


def stop_if_refused(merged: MergedRecipe, alignment: Alignment) -> None:
    """Raise RefusedError when the recipe says to stop and a mic in the sum was refused."""
    if merged.recipe.alignment.refused != "stop" or not alignment.refused():
        return
    refused = [f for f in alignment.findings if f.severity == "error"]
    raise RefusedError(Problem(f.slug, f.subject, f.message, remedy=f.hint) for f in refused)


def _render_files(
    merged: MergedRecipe,
    tracks: TrackSet,
    analysis: Analysis,
    gating: Gating,
    plan: MixPlan,
    package: Package,
    pool: Executor | None,
    progress: Progress,
) -> tuple[Rendering, MixPlan]:
    """Render all files; once more with the common trim when a file would pass the ceiling."""
    deliver = merged.recipe.deliver
    parts = parts_of(plan, deliver)
    names = file_names(parts, tracks.song, deliver.name, deliver.format)
    rate = tracks.rate if deliver.rate == "keep" else deliver.rate
    width = sum(p.channels for p in parts) * max(2, deliver.bits // 8)
    package.need(width * round(tracks.frames * rate / tracks.rate))
    stems = [p.performance for p in plan.performances]
    meters = Meters(parts, rate, stems)
    wanted = [*(p.part for p in parts), *(f"stem_{s}" for s in stems), GUITARS, WITHOUT_CENTRE]
    seed = "".join(level.sha256 for level in analysis.levels) + merged.sha256
    work = tracks.frames * sum(len(p.close) + len(p.rooms) for p in plan.performances)

    def run_pass(plan: MixPlan, measure: Meters | None) -> tuple[PartFiles, tuple[RoomQuiet, ...]]:
        progress.begin("rendering" if measure else "rendering with trim", work)
        files = PartFiles(package.folder, names, parts, tracks, deliver, seed=seed, meters=measure, pool=pool)
        try:
            asked = wanted if measure else [p.part for p in parts]
            return files, mix(plan, asked, gating, files, pool=pool, progress=progress.advance)
        except BaseException:
            files.__exit__()
            raise

    files, quiet = run_pass(plan, meters)
    trim_db = _trim_db(meters, deliver.ceiling_dbtp)
    with files:
        if trim_db < 0.0:
            _refuse_trim(deliver.trim, meters, deliver.ceiling_dbtp)
    if trim_db < 0.0:
        plan = replace(plan, trim=db_to_gain(trim_db))
        files, _ = run_pass(plan, None)
    with files:
        written = files.close(lambda part: _measures(meters, part, plan.trim))
    stereo, without = meters.stereo_measures()
    takes = meters.take_pairs()
    centre = any(b.name == "centre" for b in plan.buses)
    return Rendering(
        files=written,
        stereo=stereo,
        stereo_without_centre=without if centre else None,
        room_quiet=quiet,
        trim_db=trim_db,
        tightness=_tightness(plan, gating),
        takes=takes,
        findings=same_take_findings(takes),
    ), plan


def _measures(meters: Meters, part: str, trim: float) -> PartMeasures:
    return meters.parts[part].result(trim)


def _trim_db(meters: Meters, ceiling_dbtp: float) -> float:
    """The common trim, in whole hundredths of a dB, that keeps every file under the ceiling; 0 when all do."""
    peak = meters.true_peak_dbtp()
    if peak is None or peak <= ceiling_dbtp:
        return 0.0
    return math.floor((ceiling_dbtp - peak) * 100.0) / 100.0


def _refuse_trim(trim: str, meters: Meters, ceiling_dbtp: float) -> None:
    if trim != "none":
        return
    over = [(n, m.result().true_peak_dbtp) for n, m in meters.parts.items()]
    raise DeliveryError(
        Problem("over_ceiling", n, f"true peak {p:+.2f} dBTP passes the ceiling of {ceiling_dbtp:g} dBTP",
                remedy=DELIVERY["over_ceiling"])
        for n, p in over if p is not None and p > ceiling_dbtp
    )


def _tightness(plan: MixPlan, gating: Gating) -> tuple[Tightness, ...]:
    """Spread of the onsets of every two performances that share a bus or mirror each other."""
    names = [p.performance for p in plan.performances]
    starts = {n: [span[0] for span in gating.riff_of(n).spans] for n in names}
    return tuple(
        tightness(starts[a], starts[b], a, b) for i, a in enumerate(names) for b in names[i + 1 :]
    )


def _write_documents(run: FinishedRun, document: dict[str, object], folder: Path) -> None:
    rows = sheet_rows(run)
    write_csv(folder / document_name(run.tracks.song, "track_sheet", "csv"), rows)
    write_text(folder / document_name(run.tracks.song, "track_sheet", "txt"), rows, run.tracks)
    write_manifest(folder, document)


def _pool(threads: int) -> ThreadPoolExecutor | nullcontext[None]:
    return ThreadPoolExecutor(threads) if threads > 1 else nullcontext()


@contextmanager
def _scratch() -> Iterator[Path]:
    """A folder for the key envelopes, gone afterwards."""
    folder = Path(tempfile.mkdtemp(prefix="premix-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
