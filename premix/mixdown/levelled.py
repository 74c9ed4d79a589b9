"""Levels of a mix: under the ceiling with ONE common trim, or variants at one loudness; mixed twice where need be."""

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Protocol

from premix.errors import DeliveryError, Finding, Problem
from premix.measures.doubling import onset_spread, same_take_findings
from premix.measures.meters import GUITARS, WITHOUT_CENTRE, RenderMeters
from premix.mixdown.plan import linear_sums
from premix.mixdown.render import Mixed, Progress, Sink, render
from premix.model.mix import Matched, MatchedTake, MixPlan, OnsetSpread, Part, PartMeasures, Rendering, WrittenFile
from premix.model.settings import CENTRE_BUS, Deliver
from premix.model.song import Variant
from premix.units import db_to_gain


class FileSink(Sink, Protocol):
    """A sink that becomes files. `abandon` drops what was written; `close` finishes it."""

    def abandon(self) -> None: ...

    def close(self, measures: Callable[[str], PartMeasures]) -> tuple[WrittenFile, ...]: ...


OpenSink = Callable[[RenderMeters | None], FileSink]
"""Makes the sink of one pass: one that feeds these meters, or with None one that only writes."""


def render_levelled(
    plan: MixPlan,
    parts: Sequence[Part],
    deliver: Deliver,
    open_sink: OpenSink,
    *,
    rate: int,
    extra_trim_db: float = 0.0,
    pool: Executor | None = None,
    progress: Progress = lambda samples: None,
) -> tuple[Rendering, MixPlan, tuple[Finding, ...]]:
    """Render `parts`: what was written and measured, the plan as it was rendered (its trim), and the findings.

    rate: of the files. extra_trim_db: on top of the trim that the ceiling asks for, which stays what it is without.
    Raises DeliveryError where a file passes the ceiling and the recipe allows no trim.
    """
    stems = [p.performance for p in plan.performances]
    meters = RenderMeters(parts, rate, stems, linear_sums(plan, parts))
    names = [part.part for part in parts]
    measured = [*names, *(f"stem_{s}" for s in stems), GUITARS, WITHOUT_CENTRE]
    plan = replace(plan, trim=db_to_gain(extra_trim_db))
    sink = open_sink(meters)
    try:
        mixed = render(plan, measured, sink, pool=pool, progress=progress)
        trim_db = _trim_db(meters, deliver.ceiling_dbtp + extra_trim_db)
        if trim_db < 0.0:
            if deliver.trim == "none":
                raise _over_ceiling(meters, deliver.ceiling_dbtp, extra_trim_db)
            sink.abandon()
            plan = replace(plan, trim=plan.trim * db_to_gain(trim_db))
            sink = open_sink(None)
            render(plan, names, sink, pool=pool, progress=progress)
        gain = db_to_gain(trim_db)
        files = sink.close(lambda part: meters.measures(part, gain))
    except BaseException:
        sink.abandon()
        raise
    rendering = _rendering(plan, meters, files, mixed)
    rendering = replace(rendering, trim_db=trim_db + extra_trim_db, extra_trim_db=extra_trim_db)
    return rendering, plan, (*same_take_findings(rendering.takes), *mixed.findings, *_clipped_dis(files))


def _clipped_dis(files: Sequence[WrittenFile]) -> Iterator[Finding]:
    """DIs whose samples do not fit into the files: nothing turns them down."""
    for file in files:
        if not file.part.is_levelled and file.overs and file.bits < 32:  # floats hold them
            what = f"{file.overs} samples pass full scale and were cut off in {file.path}"
            yield Finding("di-clipped", "warning", f"{file.part.performance}/{file.part.mic}", what)


def _rendering(plan: MixPlan, meters: RenderMeters, files: tuple[WrittenFile, ...], mixed: Mixed) -> Rendering:
    stereo, without = meters.stereo_measures()
    return Rendering(
        files=files,
        stereo=stereo,
        stereo_without_centre=without if any(b.name == CENTRE_BUS for b in plan.buses) else None,
        room_quiet=mixed.quiet,
        onset_spread=_onset_spread(plan),
        takes=meters.take_pairs(),
    )


def _trim_db(meters: RenderMeters, ceiling_dbtp: float) -> float:
    """The common trim, in whole hundredths of a dB, that keeps every file under the ceiling; 0 when all are."""
    peak = meters.true_peak_dbtp()
    if peak is None or peak <= ceiling_dbtp:
        return 0.0
    return math.floor((ceiling_dbtp - peak) * 100.0) / 100.0


def _over_ceiling(meters: RenderMeters, ceiling_dbtp: float, extra_trim_db: float) -> DeliveryError:
    without_extra = db_to_gain(-extra_trim_db)
    peaks = [(name, meters.measures(name, without_extra).true_peak_dbtp) for name in meters.levelled]
    return DeliveryError(
        Problem(
            "over-ceiling",
            name,
            f"true peak {peak:+.2f} dBTP passes the ceiling of {ceiling_dbtp:g} dBTP and deliver.trim is none",
        )
        for name, peak in peaks
        if peak is not None and peak > ceiling_dbtp
    )


def _onset_spread(plan: MixPlan) -> tuple[OnsetSpread, ...]:
    """Spread of the onsets of every two performances."""
    starts = {p.performance: [on for on, _ in p.riff] for p in plan.performances}
    return tuple(onset_spread(starts[a], starts[b], a, b) for a, b in combinations(starts, 2))


GUITAR_BUS = Part(GUITARS, "guitar_bus", 2)
_MARGIN_DB = 0.005
"""Kept between the loudest peak and the ceiling: what rounding to bits may add."""


@dataclass(frozen=True, slots=True)
class Take:
    """One variant and its mix, without any trim."""

    variant: Variant
    plan: MixPlan


OpenFile = Callable[[Take, RenderMeters | None], FileSink]
"""Makes the sink of one pass of a take: one that feeds these meters, or with None one that only writes."""


def render_matched(
    takes: Sequence[Take],
    ceiling_dbtp: float,
    open_file: OpenFile,
    *,
    rate: int,
    pool: Executor | None,
    progress: Progress,
) -> Matched:
    """Write the guitar bus of every take at the loudness of the softest, or lower where a peak would pass the ceiling.

    rate: of the files.
    """
    meters = [RenderMeters((GUITAR_BUS,), rate, ()) for _ in takes]
    for take, meter in zip(takes, meters, strict=True):
        sink = open_file(take, meter)
        try:
            render(take.plan, [GUITARS], sink, pool=pool, progress=progress)
        finally:
            sink.abandon()
    level = _common_level(meters, ceiling_dbtp)
    return Matched(
        tuple(_write(take, meter, level, open_file, pool, progress) for take, meter in zip(takes, meters, strict=True)),
        level,
    )


def _write(
    take: Take,
    meters: RenderMeters,
    level: float | None,
    open_file: OpenFile,
    pool: Executor | None,
    progress: Progress,
) -> MatchedTake:
    """Mix a take again at its gain, and keep the file."""
    loudness = meters.measures(GUITARS, 1.0).loudness_lufs
    gain_db = 0.0 if loudness is None or level is None else level - loudness
    gain = db_to_gain(gain_db)
    sink = open_file(take, None)
    try:
        render(replace(take.plan, trim=gain), [GUITARS], sink, pool=pool, progress=progress)
        (file,) = sink.close(lambda part: meters.measures(part, gain))
    finally:
        sink.abandon()
    return MatchedTake(take.variant, file, gain_db, loudness)


def _common_level(meters: Sequence[RenderMeters], ceiling_dbtp: float) -> float | None:
    """Loudness in LUFS that every variant gets: the softest one's, or what the highest peak allows."""
    levels = []
    for meter in meters:
        measured = meter.measures(GUITARS, 1.0)
        if measured.loudness_lufs is not None and measured.true_peak_dbtp is not None:
            headroom = ceiling_dbtp - _MARGIN_DB - measured.true_peak_dbtp
            levels.append(measured.loudness_lufs + min(0.0, headroom))
    return min(levels, default=None)
