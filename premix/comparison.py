"""Comparisons: variants of one recipe as level-matched files, with one page to compare them.

The order: recipe -> tracks -> analysis -> alignment -> gate, once for all variants; then a mixdown of each that
measures, and one at its level that writes.
"""

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from premix import __version__
from premix.alignment.decide import align
from premix.delivery.manifest import to_plain, write_manifest
from premix.delivery.names import document_name, safe
from premix.delivery.package import Package
from premix.delivery.part_files import PartFiles
from premix.errors import Problem, RecipeError
from premix.gate.rooms import decide_gates
from premix.measures.meters import GUITARS, RenderMeters
from premix.mixdown.plan import plan_mix
from premix.mixdown.render import render
from premix.model.alignment import Alignment
from premix.model.finding import Finding
from premix.model.gate import Gating
from premix.model.mix import MixPlan, Part, WrittenFile
from premix.pipeline import Prepared, Progress, prepare, stop_if_refused, thread_pool
from premix.recipe.variants import NamedVariant, variants_of
from premix.report.compare_page import write_compare_page
from premix.report.page import missing_extra
from premix.report.window import SECONDS, busiest_window
from premix.tracks.intake import check_unchanged
from premix.units import db_to_gain

FORMAT = 1
_PART = Part(GUITARS, "guitar_bus", 2)
_MARGIN_DB = 0.005
"""Kept between the loudest peak and the ceiling: what rounding to bits may add."""


@dataclass(frozen=True, slots=True)
class _Take:
    """One variant: its mix without any trim, its file, and what was measured of it."""

    named: NamedVariant
    plan: MixPlan
    path: str
    meters: RenderMeters


def compare(
    recipe: Path,
    folder: Path,
    out: Path,
    *,
    by_mics: bool = False,
    settings: Sequence[str] = (),
    force: bool = False,
    threads: int = 1,
    sheet: Path | None = None,
    report: bool = True,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Render the guitar bus of the recipe and of each of its variants into OUT, all equally loud; gives the manifest.

    by_mics: instead of the recipe's variants, each mic alone, each left out, and as recorded. The level is that of
    the softest variant, or lower where a true peak would pass the ceiling. Raises UserError with what the user has
    to mend.
    """
    progress = progress or Progress()
    with (
        Package(out, inputs_folder=folder, force=force) as package,
        prepare(recipe, folder, settings=settings, threads=threads, sheet=sheet, progress=progress) as prepared,
        thread_pool(threads) as pool,
    ):
        stop_if_refused(prepared.merged, prepared.alignment)
        variants = variants_of(prepared.merged.recipe, by_mics=by_mics)
        if len(variants) < 2:
            slug = "comparison-no-variants"
            raise RecipeError(Problem(slug, str(recipe), "the recipe has no variants"))
        stage = _Stage(prepared, package, pool, progress)
        takes = [stage.measure(named) for named in variants]
        level = _common_level(takes, prepared.merged.recipe.deliver.ceiling_dbtp)
        written = [stage.write(take, _gain_db(take, level)) for take in takes]
        document = _document(prepared, takes, written, level)
        write_manifest(package.folder, document)
        if report and missing_extra() is None:
            page = package.folder / document_name(prepared.tracks.song, "comparison", "html")
            tracks = prepared.tracks
            window = busiest_window(stage.gating, tracks.rate, tracks.frames, SECONDS)
            write_compare_page(document, package.folder, page, window.seconds(tracks.rate))
        check_unchanged(prepared.tracks, prepared.analysis)
        package.commit()
        return document


class _Stage:
    """Mixes variants of one prepared song; the gates are those of the recipe itself."""

    def __init__(self, prepared: Prepared, package: Package, pool: Executor | None, progress: Progress) -> None:
        self._prepared, self._package, self._pool, self._progress = prepared, package, pool, progress
        recipe, tracks = prepared.merged.recipe, prepared.tracks
        self.gating: Gating = decide_gates(recipe, tracks, prepared.analysis, prepared.alignment)
        self._deliver = recipe.deliver
        self._rate = tracks.rate if recipe.deliver.rate == "keep" else recipe.deliver.rate
        self._seed = "".join(level.sha256 for level in prepared.analysis.levels)  # as in a render

    def measure(self, named: NamedVariant) -> _Take:
        """Mix a variant once without a trim; what is written is not kept."""
        prepared = self._prepared
        plan = plan_mix(named.recipe, prepared.tracks, variant_alignment(prepared, named), self.gating)
        name = f"{safe(prepared.tracks.song) or 'song'}_variant_{safe(named.name)}.{self._deliver.format}"
        meters = RenderMeters((_PART,), self._rate, ())
        take = _Take(named, plan, f"variants/{name}", meters)
        self._package.need(self._rate * prepared.tracks.frames // prepared.tracks.rate * self._deliver.bits // 4)
        sink = self._open(take, meters)
        try:
            self._mix(take, plan, sink, "measuring")
        finally:
            sink.abandon()
        return take

    def write(self, take: _Take, gain_db: float) -> WrittenFile:
        """Mix a variant again at its gain, and keep the file."""
        gain = db_to_gain(gain_db)
        sink = self._open(take, None)
        try:
            self._mix(take, replace(take.plan, trim=gain), sink, "rendering")
            (file,) = sink.close(lambda part: take.meters.measures(part, gain))
        finally:
            sink.abandon()
        return file

    def _open(self, take: _Take, meters: RenderMeters | None) -> PartFiles:
        return PartFiles(
            self._package.folder,
            {GUITARS: take.path},
            (_PART,),
            self._prepared.tracks,
            self._deliver,
            seed=f"{self._seed} {take.named.name}",
            meters=meters,
            pool=self._pool,
        )

    def _mix(self, take: _Take, plan: MixPlan, sink: PartFiles, step: str) -> None:
        work = plan.frames * sum(len(p.close) + len(p.rooms) for p in plan.performances)
        self._progress.begin(f"{step} {take.named.name}"[:20], work)
        render(plan, [GUITARS], self.gating, sink, pool=self._pool, progress=self._progress.advance)


def variant_alignment(prepared: Prepared, named: NamedVariant) -> Alignment:
    """The song's own decisions, with the mics of the variant in the sum.

    Only where the variant states a polarity or a delay, that mic is decided anew: what differs between variants is
    what they say, and nothing else.
    """
    stated = {mic for mic, change in named.variant.mics.items() if change.polarity or change.delay}
    anew = prepared.alignment
    if stated:
        heard = {
            name: mic.model_copy(update={"mute": prepared.merged.recipe.mics[name].mute})
            for name, mic in named.recipe.mics.items()
        }
        anew = align(named.recipe.model_copy(update={"mics": heard}), prepared.analysis)
    decisions = []
    for own in prepared.alignment.decisions:
        decision = anew.of(own.performance, own.mic) if own.mic in stated else own
        muted = named.recipe.mic_in(own.performance, own.mic).mute
        decisions.append(replace(decision, summed=not muted and (decision.refusal is None or decision.summed)))
    return replace(prepared.alignment, decisions=tuple(decisions))


def _common_level(takes: Sequence[_Take], ceiling_dbtp: float) -> float | None:
    """Loudness in LUFS that every variant gets: the softest one's, or what the highest peak allows."""
    level = None
    for take in takes:
        measured = take.meters.measures(GUITARS, 1.0)
        if measured.loudness_lufs is not None and measured.true_peak_dbtp is not None:
            headroom = ceiling_dbtp - _MARGIN_DB - measured.true_peak_dbtp
            wanted = measured.loudness_lufs + min(0.0, headroom)
            level = wanted if level is None else min(level, wanted)
    return level


def _gain_db(take: _Take, level: float | None) -> float:
    loudness = take.meters.measures(GUITARS, 1.0).loudness_lufs
    return 0.0 if loudness is None or level is None else level - loudness


def _document(
    prepared: Prepared, takes: Sequence[_Take], written: Sequence[WrittenFile], level: float | None
) -> dict[str, Any]:
    """The manifest of a comparison, plain data. Format history: 1, the first."""
    merged, tracks = prepared.merged, prepared.tracks
    document: dict[str, Any] = to_plain(
        {
            "format": FORMAT,
            "kind": "comparison",
            "premix": __version__,
            "song": tracks.song,
            "recipe": {"merged": merged.source, "origins": merged.origins, "sha256": merged.sha256},
            "rate": tracks.rate if merged.recipe.deliver.rate == "keep" else merged.recipe.deliver.rate,
            "matched_lufs": level,
            "variants": [_variant(take, file, level) for take, file in zip(takes, written, strict=True)],
            "findings": (*tracks.findings, *prepared.analysis.findings, *prepared.alignment.findings, *_silent(takes)),
        }
    )
    return document


def _silent(takes: Sequence[_Take]) -> Iterator[Finding]:
    for take in takes:
        if take.meters.measures(GUITARS, 1.0).loudness_lufs is None:
            slug = "comparison-silent"
            what = "nothing in it is loud enough to be measured; it is not matched"
            yield Finding(slug, "warning", f"variant {take.named.name}", what)


def _variant(take: _Take, file: WrittenFile, level: float | None) -> dict[str, Any]:
    before = take.meters.measures(GUITARS, 1.0)
    return {
        "variant": take.named.name,
        "changes": take.named.variant.model_dump(mode="json", exclude_none=True, exclude_defaults=True),
        "path": file.path,
        "frames": file.frames,
        "bits": file.bits,
        "sha256": file.sha256,
        "gain_db": _gain_db(take, level),
        "loudness_before_lufs": before.loudness_lufs,
        "loudness_lufs": file.measures.loudness_lufs,
        "true_peak_dbtp": file.measures.true_peak_dbtp,
        "sample_peak_dbfs": file.measures.sample_peak_dbfs,
        "crest_db": file.measures.crest_db,
    }
