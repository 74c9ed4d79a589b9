"""The render pass under the ceiling: once, and once more with ONE common trim when any file would pass it."""

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import Protocol

from premix.errors import DeliveryError, Problem
from premix.measures.doubling import onset_spread, same_take_findings
from premix.measures.meters import GUITARS, WITHOUT_CENTRE, RenderMeters
from premix.mixdown.plan import linear_sums
from premix.mixdown.render import Mixed, Progress, Sink, render
from premix.model.gate import Gating
from premix.model.mix import MixPlan, OnsetSpread, Part, PartMeasures, Rendering, WrittenFile
from premix.model.recipe import CENTRE_BUS, Deliver
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
    gating: Gating,
    deliver: Deliver,
    open_sink: OpenSink,
    *,
    rate: int,
    pool: Executor | None,
    progress: Progress,
) -> tuple[Rendering, MixPlan]:
    """Render `parts` and give what was written and measured, with the plan as it was rendered (its trim).

    rate: of the files. Raises DeliveryError where a file passes the ceiling and the recipe allows no trim.
    """
    stems = [p.performance for p in plan.performances]
    meters = RenderMeters(parts, rate, stems, linear_sums(plan, parts))
    names = [part.part for part in parts]
    measured = [*names, *(f"stem_{s}" for s in stems), GUITARS, WITHOUT_CENTRE]
    sink = open_sink(meters)
    try:
        mixed = render(plan, measured, gating, sink, pool=pool, progress=progress)
        trim_db = _trim_db(meters, deliver.ceiling_dbtp)
        if trim_db < 0.0:
            if deliver.trim == "none":
                raise _over_ceiling(meters, deliver.ceiling_dbtp)
            sink.abandon()
            plan = replace(plan, trim=plan.trim * db_to_gain(trim_db))
            sink = open_sink(None)
            render(plan, names, gating, sink, pool=pool, progress=progress)
        gain = db_to_gain(trim_db)
        files = sink.close(lambda part: meters.measures(part, gain))
    except BaseException:
        sink.abandon()
        raise
    return _rendering(plan, gating, meters, files, mixed, trim_db), plan


def _rendering(
    plan: MixPlan, gating: Gating, meters: RenderMeters, files: tuple[WrittenFile, ...], mixed: Mixed, trim_db: float
) -> Rendering:
    stereo, without = meters.stereo_measures()
    takes = meters.take_pairs()
    return Rendering(
        files=files,
        stereo=stereo,
        stereo_without_centre=without if any(b.name == CENTRE_BUS for b in plan.buses) else None,
        room_quiet=mixed.quiet,
        trim_db=trim_db,
        onset_spread=_onset_spread(plan, gating),
        takes=takes,
        findings=(*same_take_findings(takes), *mixed.findings),
    )


def _trim_db(meters: RenderMeters, ceiling_dbtp: float) -> float:
    """The common trim, in whole hundredths of a dB, that keeps every file under the ceiling; 0 when all are."""
    peak = meters.true_peak_dbtp()
    if peak is None or peak <= ceiling_dbtp:
        return 0.0
    return math.floor((ceiling_dbtp - peak) * 100.0) / 100.0


def _over_ceiling(meters: RenderMeters, ceiling_dbtp: float) -> DeliveryError:
    peaks = [(name, meters.measures(name, 1.0).true_peak_dbtp) for name in meters.parts]
    return DeliveryError(
        Problem(
            "over-ceiling",
            name,
            f"true peak {peak:+.2f} dBTP passes the ceiling of {ceiling_dbtp:g} dBTP and deliver.trim is none",
        )
        for name, peak in peaks
        if peak is not None and peak > ceiling_dbtp
    )


def _onset_spread(plan: MixPlan, gating: Gating) -> tuple[OnsetSpread, ...]:
    """Spread of the onsets of every two performances."""
    names = [p.performance for p in plan.performances]
    starts = {n: [span[0] for span in gating.riff_of(n).spans] for n in names}
    return tuple(onset_spread(starts[a], starts[b], a, b) for i, a in enumerate(names) for b in names[i + 1 :])
