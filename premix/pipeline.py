"""The order of a run: recipe -> tracks -> analysis -> alignment -> gate -> mixdown -> delivery -> report."""

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path

from premix.alignment.decide import align
from premix.alignment.odd_starts import coarse_offsets
from premix.alignment.sheet import SHEET_MARK, check_sheet, sheet_text
from premix.analysis.damage import check_intact, damage
from premix.analysis.look import look
from premix.analysis.scan import scan
from premix.delivery.manifest import manifest, write_manifest
from premix.delivery.names import document_name, file_names
from premix.delivery.package import Package
from premix.delivery.part_files import PartFiles
from premix.delivery.scratch import scratch_folder, scratch_room
from premix.delivery.track_sheet import sheet_rows, write_csv, write_text
from premix.delivery.whole import write_text_file
from premix.errors import Problem, RefusedError
from premix.gate.rooms import decide_gates
from premix.measures.limits import check_limits
from premix.measures.meters import RenderMeters
from premix.mixdown.levelled import render_levelled
from premix.mixdown.plan import parts_of, plan_mix
from premix.model.alignment import Alignment, Sheet
from premix.model.analysis import Analysis
from premix.model.finding import Finding
from premix.model.gate import Gating
from premix.model.mix import MixPlan, Rendering
from premix.model.recipe import MergedRecipe
from premix.model.run import FinishedRun
from premix.model.tracks import TrackLook, TrackSet
from premix.processors.check import check_chains
from premix.recipe.read import read_recipe, read_sheet
from premix.report.page import Report, missing_extra, write_report
from premix.tracks.find import find_tracks
from premix.tracks.intake import check_unchanged, take_in
from premix.units import db_to_gain


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
    sheet: Sheet | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """A finished render: its run, its manifest as plain data, the limits that are broken."""

    run: FinishedRun
    manifest: dict[str, object]
    broken: tuple[Finding, ...]


def load(
    recipe: Path, folder: Path, settings: Sequence[str] = (), *, recover: bool = False
) -> tuple[MergedRecipe, TrackSet]:
    """Recipe and tracks, checked; raises UserError with everything that is wrong.

    recover: read what is there of unfinalised and truncated files.
    """
    merged = read_recipe(recipe, song_folder=folder, settings=settings)
    found, unused = find_tracks(merged.recipe, folder)
    tracks = take_in(found, merged.recipe, folder, recover=recover)
    check_chains(merged.recipe, merged.origins, tracks)
    return merged, replace(tracks, findings=(*unused, *tracks.findings))


def inspect(
    recipe: Path, folder: Path, settings: Sequence[str] = (), *, recover: bool = False, progress: Progress | None = None
) -> tuple[MergedRecipe, TrackSet, tuple[TrackLook, ...], tuple[Problem, ...]]:
    """A first look: recipe, tracks with their findings, every track's levels, and what would stop a render."""
    progress = progress or Progress()
    merged, tracks = load(recipe, folder, settings, recover=recover)
    progress.begin("reading", sum(t.header.frames for t in tracks.tracks))
    looks = look(tracks, progress.advance)
    findings, problems = damage(tracks, [v.levels for v in looks])
    return merged, replace(tracks, findings=(*tracks.findings, *findings)), looks, problems


@contextmanager
def prepare(
    recipe: Path,
    folder: Path,
    *,
    settings: Sequence[str] = (),
    threads: int = 1,
    sheet: Path | None = None,
    recover: bool = False,
    progress: Progress | None = None,
) -> Iterator[Prepared]:
    """Everything up to the alignment's decisions; the key envelopes live as long as the context.

    sheet: an alignment sheet whose decisions are taken instead of sought.
    """
    progress = progress or Progress()
    merged, tracks = load(recipe, folder, settings, recover=recover)
    decided = read_sheet(sheet) if sheet is not None else None
    if decided is not None:
        check_sheet(decided, str(sheet), tracks, merged.recipe.reference_mic())
    with scratch_folder() as scratch:
        progress.begin("reading", tracks.frames * len(tracks.tracks))
        with scratch_room():
            analysis = scan(tracks, merged.recipe, scratch, threads=threads, progress=progress.advance)
        analysis = check_intact(tracks, analysis)
        offsets = coarse_offsets(merged.recipe, analysis)
        if offsets and sheet is None:
            (scratch / "in_step").mkdir()
            progress.begin("reading in step", tracks.frames * len(tracks.tracks))
            with scratch_room():
                in_step = scan(
                    tracks,
                    merged.recipe,
                    scratch / "in_step",
                    offsets=offsets,
                    threads=threads,
                    progress=progress.advance,
                )
            analysis = replace(analysis, spectra=in_step.spectra)
        alignment = align(merged.recipe, analysis, decided)
        yield Prepared(merged, tracks, analysis, alignment, decided)


def render(
    recipe: Path,
    folder: Path,
    out: Path,
    *,
    settings: Sequence[str] = (),
    force: bool = False,
    threads: int = 1,
    sheet: Path | None = None,
    recover: bool = False,
    extra_trim_db: float = 0.0,
    report: bool = False,
    pictures: Path | None = None,
    progress: Progress | None = None,
) -> Outcome:
    """The main job: OUT appears whole or not at all. Raises UserError with what the user has to mend.

    extra_trim_db: on top of the trim that the ceiling asks for, so that songs sit together. report: with the HTML
    page, where its extra is installed. pictures: folder for the page's pictures as files.
    """
    progress = progress or Progress()
    with (
        Package(out, inputs_folder=folder, force=force) as package,
        prepare(
            recipe, folder, settings=settings, threads=threads, sheet=sheet, recover=recover, progress=progress
        ) as prepared,
    ):
        merged, tracks, analysis, alignment = (prepared.merged, prepared.tracks, prepared.analysis, prepared.alignment)
        stop_if_refused(merged, alignment)
        gating = decide_gates(merged.recipe, tracks, analysis, alignment)
        plan = plan_mix(merged.recipe, tracks, alignment, gating)
        with thread_pool(threads) as pool:
            rendering, plan = _render_files(prepared, gating, plan, package, pool, progress, extra_trim_db)
        run = FinishedRun(merged, tracks, analysis, alignment, gating, plan, rendering, prepared.sheet)
        broken = check_limits(merged.recipe.limits, alignment, rendering)
        run = replace(run, rendering=replace(rendering, findings=(*rendering.findings, *broken)))
        document = manifest(run)
        _write_documents(run, document, package.folder)
        page = _write_page(run, document, package.folder) if report and missing_extra() is None else None
        check_unchanged(tracks, analysis)
        package.commit()
        if page is not None and pictures is not None:
            page.save_pictures(pictures)
        return Outcome(run, document, tuple(f for f in broken if f.severity == "error"))


def save_sheet(prepared: Prepared, path: Path) -> None:
    """Write the decisions as an alignment sheet; the file is whole or not there."""
    alignment, recipe = prepared.alignment, prepared.merged.recipe
    text = sheet_text(
        prepared.tracks.song,
        alignment.rate,
        alignment.reference,
        alignment.decisions,
        prepared.analysis,
        recipe.alignment.temperature_c,
    )
    write_text_file(path, text, SHEET_MARK)


def stop_if_refused(merged: MergedRecipe, alignment: Alignment) -> None:
    """Raise RefusedError when the recipe says to stop and a mic in the sum was refused."""
    if merged.recipe.alignment.refused != "stop":
        return
    refused = [f for f in alignment.findings if f.severity == "error"]
    if not refused:
        return
    raise RefusedError(Problem(f.slug, f.subject, f.message, remedy=f.hint) for f in refused)


def _render_files(
    prepared: Prepared,
    gating: Gating,
    plan: MixPlan,
    package: Package,
    pool: Executor | None,
    progress: Progress,
    extra_trim_db: float,
) -> tuple[Rendering, MixPlan]:
    """Render every file that the recipe asks for into the package's folder."""
    tracks, deliver = prepared.tracks, prepared.merged.recipe.deliver
    parts = parts_of(plan, deliver)
    names = file_names(parts, tracks.song, deliver.name, deliver.format)
    rate = tracks.rate if deliver.rate == "keep" else deliver.rate
    width = sum(part.channels for part in parts) * deliver.bits // 8
    package.need(width * round(tracks.frames * rate / tracks.rate))
    seed = "".join(level.sha256 for level in prepared.analysis.levels)  # a change of format or limits keeps the dither
    work = tracks.frames * sum(len(p.close) + len(p.rooms) for p in plan.performances)

    def open_files(meters: RenderMeters | None) -> PartFiles:
        progress.begin("rendering" if meters else "rendering trimmed", work)
        return PartFiles(package.folder, names, parts, tracks, deliver, seed=seed, meters=meters, pool=pool)

    plan = replace(plan, trim=db_to_gain(extra_trim_db))
    # The ceiling goes down with the extra trim, so that the trim under the ceiling stays what it is without it.
    levels = deliver.model_copy(update={"ceiling_dbtp": deliver.ceiling_dbtp + extra_trim_db})
    rendering, plan = render_levelled(
        plan, parts, gating, levels, open_files, rate=rate, pool=pool, progress=progress.advance
    )
    trim_db = rendering.trim_db + extra_trim_db
    return replace(rendering, trim_db=trim_db, extra_trim_db=extra_trim_db), plan


def _write_documents(run: FinishedRun, document: dict[str, object], folder: Path) -> None:
    rows = sheet_rows(run)
    write_csv(folder / document_name(run.tracks.song, "track_sheet", "csv"), rows)
    write_text(folder / document_name(run.tracks.song, "track_sheet", "txt"), rows, run.tracks)
    write_manifest(folder, document)


def _write_page(run: FinishedRun, document: dict[str, object], folder: Path) -> Report:
    return write_report(run, document, folder / document_name(run.tracks.song, "report", "html"))


def thread_pool(threads: int) -> ThreadPoolExecutor | nullcontext[None]:
    """A context with a pool, or with None where one thread is enough."""
    return ThreadPoolExecutor(threads) if threads > 1 else nullcontext()
