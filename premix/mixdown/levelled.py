"""Levels of a mix: under the ceiling with ONE common trim, or variants at one loudness; mixed twice where need be."""

import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Literal, Protocol

from premix.errors import DeliveryError, Finding, Problem
from premix.measures.doubling import onset_spread, same_take_findings
from premix.measures.lean import lean_of, side_gains
from premix.measures.meters import GUITARS, WITHOUT_CENTRE, RenderMeters
from premix.mixdown.plan import linear_sums, proved
from premix.mixdown.render import Mixed, Progress, Sink, render
from premix.model.mix import (
    Lean,
    LevelReached,
    Matched,
    MatchedTake,
    MixPlan,
    OnsetSpread,
    Part,
    PartMeasures,
    Rendering,
    WrittenFile,
)
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
    Raises DeliveryError where a file passes the ceiling and the recipe allows no trim. A recipe that gives a loudness
    or a peak has every file turned up or down to it, by one gain and under the ceiling.
    """
    stems = [p.performance for p in plan.performances]
    aim = deliver.level.aim if deliver.level else None
    names = [part.part for part in parts]
    heard = (*parts, *([GUITAR_BUS] if aim and aim[0] == "loudness_lufs" and GUITARS not in names else []))
    meters = RenderMeters(heard, rate, stems, linear_sums(plan, heard))
    measured = [*names, *(f"stem_{s}" for s in stems), GUITARS, WITHOUT_CENTRE]
    plan = replace(plan, trim=db_to_gain(extra_trim_db))
    sink = open_sink(meters)
    try:
        mixed = render(plan, measured, sink, pool=pool, progress=progress)
        levels = _Levels(meters, [part.part for part in parts if part.is_levelled], deliver, extra_trim_db)
        trim_db = levels.gain_db()
        if trim_db != 0.0 or aim:
            sink.abandon()
            plan = proved(replace(plan, trim=plan.trim * db_to_gain(trim_db)), False)
            sink = open_sink(None)
            render(plan, names, sink, pool=pool, progress=progress)
        gain = db_to_gain(trim_db)
        files = sink.close(lambda part: meters.measures(part, gain))
    except BaseException:
        sink.abandon()
        raise
    rendering = _rendering(plan, meters, files, mixed)
    rendering = replace(
        rendering, trim_db=trim_db + extra_trim_db, extra_trim_db=extra_trim_db, level=levels.reached(trim_db)
    )
    told = (*same_take_findings(rendering.takes), *mixed.findings, *levels.findings(trim_db), *_clipped_dis(files))
    return rendering, proved(plan, False), told


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
        lean=_lean(plan, meters),
        hashes=mixed.hashes,
    )


def _lean(plan: MixPlan, meters: RenderMeters) -> Lean | None:
    powers = meters.stem_powers()
    if powers is None:
        return None
    return lean_of(*powers, *side_gains(plan, [p.performance for p in plan.performances]))


@dataclass(frozen=True, slots=True)
class _Levels:
    """How loud the first pass came out, and the one gain that brings it to the recipe's level.

    names: of the parts that are delivered, DIs aside. Every figure is without the extra trim, which the meters have in
    them.
    """

    meters: RenderMeters
    names: Sequence[str]
    deliver: Deliver
    extra_trim_db: float

    def gain_db(self) -> float:
        """In whole hundredths of a dB. Raises DeliveryError where a file passes the ceiling and no trim is allowed."""
        wanted_db, most_db = self._wanted_db(), self._most_db()
        if wanted_db <= most_db:
            return wanted_db
        if self.deliver.trim == "none":
            raise self._over_ceiling(wanted_db)
        return most_db

    def reached(self, gain_db: float) -> LevelReached:
        """The level after that gain, the extra trim left out."""
        by, asked = self._aim() or ("ceiling_dbtp", self.deliver.ceiling_dbtp)
        return LevelReached(by, asked, self._figure(by, gain_db))

    def findings(self, gain_db: float) -> Iterator[Finding]:
        """A word where the level was asked for and is not there."""
        aim = self._aim()
        if aim is None:
            return
        found, unit = self._figure(aim[0], gain_db), {"loudness_lufs": "LUFS", "peak_dbfs": "dBFS"}[aim[0]]
        subject = f"deliver.level.{aim[0]}"
        if found is None:
            yield Finding("level-not-measured", "warning", subject, "nothing is loud enough to be measured; no gain")
        elif gain_db < self._wanted_db():
            ceiling = f"the ceiling of {self.deliver.ceiling_dbtp:g} dBTP allows {found:.2f} {unit}"
            yield Finding("level-not-reached", "warning", subject, f"{aim[1]:g} {unit} was asked for; {ceiling}")

    def _aim(self) -> tuple[Literal["loudness_lufs", "peak_dbfs"], float] | None:
        return self.deliver.level.aim if self.deliver.level else None

    def _wanted_db(self) -> float:
        """The gain to the aim; a peak is never passed, a loudness is met to the nearest hundredth. 0 without an aim."""
        aim = self._aim()
        if aim is None or (found := self._figure(aim[0])) is None:
            return 0.0
        to_step = round if aim[0] == "loudness_lufs" else math.floor
        return to_step((aim[1] - found) * 100.0) / 100.0

    def _most_db(self) -> float:
        """The gain that takes the highest true peak to the ceiling."""
        peak = self._figure("ceiling_dbtp")
        return math.inf if peak is None else math.floor((self.deliver.ceiling_dbtp - peak) * 100.0) / 100.0

    def _figure(self, by: str, gain_db: float = 0.0) -> float | None:
        gain = db_to_gain(gain_db - self.extra_trim_db)
        if by == "loudness_lufs":
            return self.meters.measures(GUITARS, gain).loudness_lufs
        field = "true_peak_dbtp" if by == "ceiling_dbtp" else "sample_peak_dbfs"
        peaks = (getattr(self.meters.measures(name, gain), field) for name in self.names)
        return max((peak for peak in peaks if peak is not None), default=None)

    def _over_ceiling(self, gain_db: float) -> DeliveryError:
        gain = db_to_gain(gain_db - self.extra_trim_db)
        ceiling = self.deliver.ceiling_dbtp
        peaks = [(name, self.meters.measures(name, gain).true_peak_dbtp) for name in self.names]
        return DeliveryError(
            Problem(
                "over-ceiling",
                name,
                f"true peak {peak:+.2f} dBTP passes the ceiling of {ceiling:g} dBTP and deliver.trim is none",
            )
            for name, peak in peaks
            if peak is not None and peak > ceiling
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

    @property
    def room_alone(self) -> bool:
        """Whether rooms are heard, and no close mic."""
        performances = self.plan.performances
        return any(p.rooms for p in performances) and not any(p.close for p in performances)


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

    A room alone, which may lie 10 dB under all others, does not take them down: it is brought up to them as far as its
    own peaks allow. rate: of the files.
    """
    meters = [RenderMeters((GUITAR_BUS,), rate, ()) for _ in takes]
    for take, meter in zip(takes, meters, strict=True):
        sink = open_file(take, meter)
        try:
            render(take.plan, [GUITARS], sink, pool=pool, progress=progress)
        finally:
            sink.abandon()
    level = _common_level([m for t, m in zip(takes, meters, strict=True) if not t.room_alone] or meters, ceiling_dbtp)
    gains = [_gain_db(meter, level, ceiling_dbtp) for meter in meters]
    return Matched(
        tuple(
            _write(take, meter, gain_db, open_file, pool, progress)
            for take, meter, gain_db in zip(takes, meters, gains, strict=True)
        ),
        level,
    )


def _write(
    take: Take, meters: RenderMeters, gain_db: float, open_file: OpenFile, pool: Executor | None, progress: Progress
) -> MatchedTake:
    """Mix a take again at its gain, and keep the file."""
    loudness, gain = meters.measures(GUITARS, 1.0).loudness_lufs, db_to_gain(gain_db)
    sink = open_file(take, None)
    try:
        render(replace(take.plan, trim=gain), [GUITARS], sink, pool=pool, progress=progress)
        (file,) = sink.close(lambda part: meters.measures(part, gain))
    finally:
        sink.abandon()
    return MatchedTake(take.variant, file, gain_db, loudness)


def _gain_db(meters: RenderMeters, level: float | None, ceiling_dbtp: float) -> float:
    """The gain to the common level, or as near to it as the ceiling lets this take come; 0 where there is no level."""
    measured = meters.measures(GUITARS, 1.0)
    if level is None or measured.loudness_lufs is None:
        return 0.0
    headroom_db = math.inf
    if measured.true_peak_dbtp is not None:
        headroom_db = ceiling_dbtp - _MARGIN_DB - measured.true_peak_dbtp
    return min(level - measured.loudness_lufs, headroom_db)


def _common_level(meters: Sequence[RenderMeters], ceiling_dbtp: float) -> float | None:
    """Loudness in LUFS that every variant gets: the softest one's, or what the highest peak allows."""
    levels = []
    for meter in meters:
        measured = meter.measures(GUITARS, 1.0)
        if measured.loudness_lufs is not None and measured.true_peak_dbtp is not None:
            headroom = ceiling_dbtp - _MARGIN_DB - measured.true_peak_dbtp
            levels.append(measured.loudness_lufs + min(0.0, headroom))
    return min(levels, default=None)
