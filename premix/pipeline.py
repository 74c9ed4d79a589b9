"""The order of a run: recipe -> tracks -> analysis -> alignment -> gate -> mixdown -> delivery -> report.

Every command that reads tracks is a walk along this line, or along a part of it.
"""

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from premix.alignment.approved import Approved, aligned_as_approved
from premix.alignment.decide import decide_variant
from premix.alignment.delay_parts import with_delay_parts
from premix.alignment.prints import with_set_up
from premix.alignment.rounds import aligned
from premix.alignment.sheet import SHEET_MARK, check_sheet, sheet_text, with_gates
from premix.alignment.steadiness import CHANGES
from premix.analysis.damage import check_intact, damage
from premix.analysis.di_check import check_dis
from premix.analysis.kept import Kept, NotKeptError
from premix.analysis.levels import look
from premix.analysis.passes import Passes
from premix.audio.reader import sample_hash
from premix.delivery.against import Changes, Render, changes, is_approved
from premix.delivery.documents import comparison_manifest, manifest, manifest_bytes, read_manifest
from premix.delivery.file_names import document_name, file_names, variant_path
from premix.delivery.package import Package
from premix.delivery.part_files import PartFiles, bytes_of
from premix.delivery.scratch import scratch_folder, scratch_room
from premix.delivery.track_sheet import write_track_sheet
from premix.delivery.verify import KEPT
from premix.delivery.whole import write_text_file
from premix.errors import Finding, Problem, RecipeError, RefusedError
from premix.gate.agreement import comparison, with_agreement
from premix.gate.rooms import decide_gates
from premix.measures.limits import check_limits
from premix.measures.meters import RenderMeters
from premix.mixdown.levelled import GUITAR_BUS, Take, render_levelled, render_matched
from premix.mixdown.plan import parts_of, plan_mix, proved
from premix.mixdown.widest import at_limit
from premix.model.alignment import Sheet
from premix.model.manifest import ComparisonManifest, Manifest
from premix.model.mix import MixPlan, Rendered
from premix.model.song import Song, Variant
from premix.model.tracks import TrackLook
from premix.processors.chains import chain_paths, check_chains
from premix.recipe.read import read_recipe, read_sheet
from premix.recipe.record import MergedRecipe
from premix.recipe.resolve import song_of, variants_of
from premix.report.compare_page import write_compare_page
from premix.report.page import missing_extra, write_report
from premix.tracks.find import find_tracks
from premix.tracks.intake import check_unchanged, take_in
from premix.tracks.roll_call import roll_findings

RecipeLike = Path | Mapping[str, Any]
"""A recipe's file, or plain data of the same keys."""


class Progress:
    """What a run tells of its long steps; the default tells nobody."""

    def begin(self, step: str, samples: int) -> None:
        """A step of `samples` samples of work begins."""

    def advance(self, samples: int) -> None:
        """So many of them are done."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """A song up to its decisions, nothing rendered yet; the recipe it comes from, and the sheet if one was given."""

    merged: MergedRecipe
    song: Song
    sheet: Sheet | Approved | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """A finished render: its records, its manifest, the limits that are broken; changes: against an earlier render.

    reading: in words, where the reading pass was taken over, or should have been. delivered: False where it is not what
    was expected, and OUT holds what was: that stays.
    """

    rendered: Rendered
    manifest: Manifest
    broken: tuple[Finding, ...]
    changes: Changes | None = None
    delivered: bool = True
    reading: str = ""


def load(
    recipe: RecipeLike,
    folder: Path,
    settings: Sequence[str] = (),
    *,
    recover: bool = False,
    allow_plug_ins: bool = False,
) -> tuple[MergedRecipe, Song]:
    """Recipe and tracks, checked; raises UserError with everything that is wrong.

    recover: read what is there of unfinalised and truncated files. allow_plug_ins: also those that come with the
    tracks.
    """
    merged = read_recipe(recipe, song_folder=folder, settings=settings, allow_plug_ins=allow_plug_ins)
    wanted = song_of(merged)
    found, roll = find_tracks(wanted, folder)
    wanted = replace(wanted, roll_call=roll).tell(*roll_findings(roll, folder.name or str(folder)))
    song = take_in(wanted, found, folder, recover=recover)
    check_chains(song)
    return merged, song


def inspect(
    recipe: RecipeLike,
    folder: Path,
    settings: Sequence[str] = (),
    *,
    recover: bool = False,
    allow_plug_ins: bool = False,
    progress: Progress | None = None,
) -> tuple[Song, tuple[TrackLook, ...], tuple[Problem, ...]]:
    """A first look: the song with its findings, a look at every track, and what would stop a render."""
    progress = progress or Progress()
    _, song = load(recipe, folder, settings, recover=recover, allow_plug_ins=allow_plug_ins)
    progress.begin("reading", sum(mic.track.header.frames for mic in song.mics))
    song, looks = look(song, progress.advance)
    song, problems = damage(song)
    return song, looks, problems


@contextmanager
def prepare(
    recipe: RecipeLike,
    folder: Path,
    *,
    settings: Sequence[str] = (),
    threads: int = 1,
    sheet: Path | None = None,
    recover: bool = False,
    allow_plug_ins: bool = False,
    kept: Kept | None = None,
    progress: Progress | None = None,
    loaded: Callable[[MergedRecipe, Song], None] | None = None,
) -> Iterator[Prepared]:
    """Everything up to the alignment's decisions; the key envelopes live as long as the context.

    sheet: an alignment sheet whose decisions are taken instead of sought, or a render whose set-up is approved. kept:
    where the reading pass may be taken over from, and is kept for the next run. loaded: called once the tracks are
    known and nothing of them is read yet; what it raises ends the run.
    """
    progress = progress or Progress()
    merged, song = load(recipe, folder, settings, recover=recover, allow_plug_ins=allow_plug_ins)
    if loaded is not None:
        loaded(merged, song)
    given = None if sheet is None else given_decisions(sheet)
    if isinstance(given, Sheet):
        check_sheet(given, str(sheet), song)
    elif given is not None:
        given.print_for(song)  # whether it fits is known before anything is read
    with scratch_folder() as scratch:
        kept = kept or Kept(keeps=False)
        passes = Passes(scratch, threads, progress, kept, scratch_room)
        song = check_dis(check_intact(passes.scan(song)))
        with scratch_room():
            solve = (
                partial(aligned_as_approved, song, given, passes)
                if isinstance(given, Approved)
                else partial(aligned, song, given, passes)
            )
            followed = given.sha256 if given is not None else ""
            song = kept.decide(song, scratch, followed, lambda: with_set_up(with_delay_parts(solve())))
            compared = [comparison(performance) for performance in song.performances]
            song = kept.compare(song, scratch, compared, partial(with_agreement, song))
        yield Prepared(merged, with_gates(given, song) if isinstance(given, Sheet) else song, given)


def given_decisions(path: Path) -> Sheet | Approved:
    """An alignment sheet, or the approved set-up in a render's manifest. Raises RecipeError where it is neither."""
    if path.is_dir() or path.suffix.lower() == ".json":
        return Approved(read_manifest(path), str(path), hashlib.sha256(manifest_bytes(path)).hexdigest())
    return read_sheet(path)


def render(
    recipe: RecipeLike,
    folder: Path,
    out: Path,
    *,
    settings: Sequence[str] = (),
    force: bool = False,
    threads: int = 1,
    sheet: Path | None = None,
    recover: bool = False,
    allow_plug_ins: bool = False,
    extra_trim_db: float = 0.0,
    report: bool = False,
    pictures: Path | None = None,
    earlier: Render | None = None,
    expect: Path | None = None,
    fresh: bool = False,
    progress: Progress | None = None,
) -> Outcome:
    """The main job: OUT appears whole or not at all. Raises UserError with what the user has to mend.

    extra_trim_db: on top of the trim that the ceiling asks for, so that songs sit together. report: with the HTML
    page, where its extra is installed. pictures: folder for the page's pictures as files. earlier: a render that this
    one is compared with; it may be the one that lies in OUT. expect: where the manifest of `earlier` was read, if this
    one must be the same: no input may lie in OUT, and where OUT holds that render and this one differs, it stays.
    fresh: every track is read; else the reading pass of the render that lies in OUT is taken over where nothing that it
    depends on changed, and the samples prove it.
    """
    once = partial(
        _render,
        recipe,
        folder,
        out,
        options={
            "settings": settings,
            "threads": threads,
            "sheet": sheet,
            "recover": recover,
            "allow_plug_ins": allow_plug_ins,
        },
        force=force,
        extra_trim_db=extra_trim_db,
        report=report,
        pictures=pictures,
        earlier=earlier,
        expect=expect,
        progress=progress or Progress(),
    )
    try:
        return once(kept=Kept(None if fresh else out / KEPT))
    except _OtherSamplesError as error:
        changed = f"every track was read: {error} changed without a trace in size, time or first bytes"
        return replace(once(kept=Kept()), reading=changed)
    except NotKeptError:
        changed = "every track was read: mics stand elsewhere than in the render in OUT, so their signals are needed"
        return replace(once(kept=Kept()), reading=changed)


class _OtherSamplesError(Exception):
    """A track's samples are not those of the pass that was taken over."""


def _render(
    recipe: RecipeLike,
    folder: Path,
    out: Path,
    *,
    kept: Kept,
    options: Mapping[str, Any],
    force: bool,
    extra_trim_db: float,
    report: bool,
    pictures: Path | None,
    earlier: Render | None,
    expect: Path | None,
    progress: Progress,
) -> Outcome:
    """One run of `render`; options: of `prepare`. Raises _OtherSamplesError where a pass was taken over wrongly."""
    threads = options["threads"]
    with (
        Package(out, inputs_folder=folder, force=force, inputs=_named(recipe, options["sheet"], expect)) as package,
        prepare(
            recipe, folder, **options, kept=kept, progress=progress, loaded=partial(_stay_out, package, "render")
        ) as prepared,
    ):
        stop_if_refused(prepared.song)
        song = decide_gates(prepared.song)
        with thread_pool(threads) as pool:
            rendered = _render_files(song, package, pool, progress, extra_trim_db, kept)
        if kept.taken:
            _prove(song, dict(rendered.rendering.hashes))
        broken = check_limits(rendered.song, rendered.rendering)
        rendered = replace(rendered, song=rendered.song.tell(*broken), sheet=prepared.sheet)
        document = manifest(rendered)
        write_track_sheet(rendered, package.folder)
        page = None
        if report and missing_extra() is None:
            page = write_report(rendered, document, package.folder / document_name(song.name, "report", "html"))
            if pictures is not None and (inside := package.place_in(pictures)) is not None:
                page.save_pictures(inside)
                pictures = None
        check_unchanged(song)
        differing = None if earlier is None else changes(earlier, Render(document, package.folder))
        differs = earlier is not None and differing is not None and bool(differing.files)
        if expect is not None and earlier is not None and differs and is_approved(earlier.manifest, out):
            return Outcome(rendered, document, broken, differing, delivered=False)
        kept.write(package.folder / KEPT)
        document = package.commit(document)
        if page is not None and pictures is not None:
            page.save_pictures(pictures)
        reading = "the reading pass of the render in OUT was taken over" if kept.taken else ""
        return Outcome(rendered, document, broken, differing, reading=reading)


def _prove(song: Song, hashes: Mapping[str, str]) -> None:
    """Hold the samples that the mix has read, and those of tracks that are not in it, against the pass taken over."""
    for mic in song.mics:
        read = hashes.get(mic.label) or sample_hash(mic.track.header)
        if read != mic.levels.sha256:
            raise _OtherSamplesError(mic.label)


def compare(
    recipe: RecipeLike,
    folder: Path,
    out: Path,
    *,
    by_mics: bool = False,
    settings: Sequence[str] = (),
    force: bool = False,
    threads: int = 1,
    sheet: Path | None = None,
    allow_plug_ins: bool = False,
    report: bool = True,
    progress: Progress | None = None,
) -> ComparisonManifest:
    """Render the guitar bus of the recipe and of each of its variants into OUT, all equally loud; gives the manifest.

    by_mics: instead of the recipe's variants, each mic alone, each left out, and as recorded. The level is that of
    the softest variant, or lower where a true peak would pass the ceiling. Up to the gates all variants share one run.
    Raises UserError with what the user has to mend.
    """
    progress = progress or Progress()
    with (
        Package(out, inputs_folder=folder, force=force, inputs=_named(recipe, sheet)) as package,
        prepare(
            recipe,
            folder,
            settings=settings,
            threads=threads,
            sheet=sheet,
            allow_plug_ins=allow_plug_ins,
            progress=progress,
            loaded=partial(_stay_out, package, "comparison"),
        ) as prepared,
        thread_pool(threads) as pool,
    ):
        stop_if_refused(prepared.song)
        variants = variants_of(prepared.merged, by_mics=by_mics)
        if len(variants) < 2:
            where = str(recipe) if isinstance(recipe, Path) else "recipe"
            raise RecipeError(Problem("comparison-no-variants", where, "the recipe has no variants"))
        told = prepared.song.findings
        song = decide_gates(prepared.song)
        takes, widths = _takes(song, variants, pool, progress)

        def open_file(take: Take, meters: RenderMeters | None) -> PartFiles:
            step = "measuring" if meters else "rendering"
            progress.begin(f"{step} {take.variant.name}"[:20], _work(take.plan))
            name = take.variant.name
            names = {GUITAR_BUS.part: variant_path(song.name, name, song.deliver.format)}
            return PartFiles(package.folder, names, (GUITAR_BUS,), song, meters=meters, pool=pool, variant=name)

        package.need(len(takes) * bytes_of((GUITAR_BUS,), song))
        matched = render_matched(
            takes, song.deliver.ceiling_dbtp, open_file, rate=song.file_rate, pool=pool, progress=progress.advance
        )
        document = comparison_manifest(replace(song, findings=told).tell(*widths, *matched.findings()), matched)
        if report and missing_extra() is None:
            page = package.folder / document_name(song.name, "comparison", "html")
            write_compare_page(song, document, package.folder, page)
        check_unchanged(song)
        return package.commit(document)


def _takes(
    song: Song, variants: Sequence[Variant], pool: Executor | None, progress: Progress
) -> tuple[list[Take], list[Finding]]:
    """Each variant with its mix, and what their widths have to say, by variant."""
    takes, told = [], []
    for variant in variants:
        plan, findings = planned_mix(decide_variant(song, variant), pool, progress)
        takes.append(Take(variant, plan))
        told += [replace(found, subject=f"variant {variant.name}, {found.subject}") for found in findings]
    return takes, told


def _named(recipe: RecipeLike, sheet: Path | None, expect: Path | None = None) -> dict[str, Path | None]:
    """The files that a command names, by what they are."""
    return {
        "the recipe": recipe if isinstance(recipe, Path) else None,
        "the alignment sheet": sheet,
        "the expected manifest": expect,
    }


def _stay_out(package: Package, kind: str, merged: MergedRecipe, song: Song) -> None:
    """Raise DeliveryError where the run would replace what it reads, or what another one made."""
    tracks = (mic.track.header.path for mic in song.mics)
    package.keep_out(
        [
            *(("the recipe", path) for path in merged.files),
            *(("the track", path) for path in tracks),
            *(("the file of a chain", path) for path in chain_paths(song)),
        ]
    )
    package.claim(song.name, kind)


def save_sheet(song: Song, path: Path) -> None:
    """Write the decisions, and when the guitar plays, as an alignment sheet; the file is whole or not there."""
    write_text_file(path, sheet_text(decide_gates(song)), SHEET_MARK)


def stop_if_refused(song: Song) -> None:
    """Raise RefusedError when the recipe says to stop and a mic in the sum was refused."""
    refused = [finding for finding in song.findings if finding.severity == "error"]
    if song.alignment.refused != "stop":
        refused = [finding for finding in refused if finding.slug in CHANGES]
    if refused:
        raise RefusedError(Problem(f.slug, f.subject, f.message, remedy=f.hint) for f in refused)


def _render_files(
    song: Song, package: Package, pool: Executor | None, progress: Progress, extra_trim_db: float, kept: Kept
) -> Rendered:
    """Render every file that the recipe asks for into the package's folder."""
    plan, told = planned_mix(song, pool, progress)
    plan = proved(plan, kept.taken)
    parts = parts_of(plan, song.deliver)
    names = file_names(parts, song.name, song.deliver.name, song.deliver.format)
    package.need(bytes_of(parts, song) + kept.size())

    def open_files(meters: RenderMeters | None) -> PartFiles:
        progress.begin("rendering" if meters else "rendering trimmed", _work(plan))
        return PartFiles(package.folder, names, parts, song, meters=meters, pool=pool)

    rendering, plan, findings = render_levelled(
        plan,
        parts,
        song.deliver,
        open_files,
        rate=song.file_rate,
        extra_trim_db=extra_trim_db,
        pool=pool,
        progress=progress.advance,
    )
    return Rendered(song.tell(*told, *findings), plan, rendering)


def planned_mix(song: Song, pool: Executor | None, progress: Progress) -> tuple[MixPlan, tuple[Finding, ...]]:
    """The song's mix; where its width has to keep a limit, the song is mixed once to find it."""
    plan = plan_mix(song)
    if plan.guitar_bus.limit is not None:
        progress.begin("finding the width", _work(plan))
    return at_limit(plan, pool=pool, progress=progress.advance)


def _work(plan: MixPlan) -> int:
    """Samples of tracks that one pass of the mix reads."""
    return plan.frames * sum(performance.tracks for performance in plan.performances)


def thread_pool(threads: int) -> ThreadPoolExecutor | nullcontext[None]:
    """A context with a pool, or with None where one thread is enough."""
    return ThreadPoolExecutor(threads) if threads > 1 else nullcontext()
