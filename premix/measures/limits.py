"""The limits of a recipe, held against what was decided and measured: one finding for each that is broken."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from premix.errors import Finding
from premix.measures.moves import SURE
from premix.measures.pooled import set_up_of
from premix.measures.shifts import curves_of, shifts_of
from premix.model.mix import Rendering
from premix.model.set_up import SetUp, Shift
from premix.model.song import Song
from premix.units import clock

Reading = tuple[str, float | None]
"""What was measured: its subject, and the figure; None where it has none, as silence has no correlation."""
Readings = Callable[[Song, Rendering], list[Reading]]


@dataclass(frozen=True, slots=True)
class Check:
    """One limit: its field in `Limits`, which side of it is allowed, and where the figures come from."""

    field: str
    slug: str
    what: str
    unit: str
    allowed: Literal["at least", "at most"]
    readings: Readings


@dataclass(frozen=True, slots=True)
class Judged:
    """How a limit was held. worst: the figure that decides, of `subject`; None: what decides cannot be measured."""

    subject: str
    worst: float | None
    holds: bool


def check_limits(song: Song, rendering: Rendering) -> tuple[Finding, ...]:
    """The broken limits, one finding of severity error each, which names the worst offender.

    A figure on the limit is inside. A limit that cannot be measured (silence, or an output that is not delivered)
    is broken too: nobody can say that it holds.
    """
    return tuple(
        _finding(check, limit, judged) for check, limit, judged in judged_limits(song, rendering) if not judged.holds
    )


def judged_limits(song: Song, rendering: Rendering) -> Iterator[tuple[Check, float, Judged]]:
    """Every limit that the recipe sets: (check, limit, how it was held)."""
    for check in CHECKS:
        limit = getattr(song.limits, check.field)
        if limit is not None:
            yield check, limit, _judge(check, limit, check.readings(song, rendering))


def _judge(check: Check, limit: float, readings: list[Reading]) -> Judged:
    """The worst figure beyond the limit; else whatever has none; else the figure nearest to the limit."""
    sign = 1.0 if check.allowed == "at least" else -1.0
    measured = [(subject, figure) for subject, figure in readings if figure is not None]
    subject, worst = min(measured, key=lambda reading: sign * reading[1], default=("", limit))
    if sign * worst < sign * limit:
        return Judged(subject, worst, False)
    if measured and len(measured) == len(readings):
        return Judged(subject, worst, True)
    return Judged(", ".join(subject for subject, figure in readings if figure is None), None, False)


def _finding(check: Check, limit: float, judged: Judged) -> Finding:
    if (worst := judged.worst) is None:
        message = f"{check.what} cannot be measured" + (f": {judged.subject}" if judged.subject else "")
        return Finding("limit-not-measured", "error", f"limits.{check.field}", message)
    message = f"{check.what} is {_digits(worst, limit)} {check.unit}".rstrip()
    message += f", allowed is {check.allowed} {limit:g} {check.unit}".rstrip()
    return Finding(check.slug, "error", judged.subject, message)


def _digits(value: float, limit: float) -> str:
    """The value with as many decimals as it takes to tell it from the limit; whole numbers without any."""
    if float(value).is_integer():
        return f"{value:.0f}"
    texts = (f"{value:.{decimals}f}" for decimals in range(2, 18))
    return next((text for text in texts if float(text) != limit), repr(value))


def _efficiencies(song: Song, rendering: Rendering) -> list[Reading]:
    """Of every performance with a mic in its sum; one without sound has no band to measure in."""
    summed = [p for p in song.performances if any(mic.decision.summed for mic in p.mics)]
    return [(p.name, p.efficiency.after_db if p.efficiency.bands else None) for p in summed]


def _worst_passages(song: Song, rendering: Rendering) -> list[Reading]:
    """Of every performance with several mics in its sum, with the place of the passage."""
    readings: list[Reading] = []
    for performance in song.performances:
        efficiency = performance.efficiency
        if sum(mic.decision.summed for mic in performance.close) > 1:
            from_s, to_s = efficiency.worst_passage_s or (0.0, 0.0)
            readings.append((f"{performance.name} {clock(from_s)} to {clock(to_s)}", efficiency.worst_passage_db))
    return readings


def _of_guitar_bus(field: str) -> Readings:
    """A figure of its stereo picture, of the whole song."""
    return lambda song, rendering: [("guitar bus", getattr(rendering.stereo, field) if rendering.stereo else None)]


def _true_peaks(song: Song, rendering: Rendering) -> list[Reading]:
    """Of every file that holds sound, DIs aside, which stay as they were recorded: silence is below any peak."""
    levelled = [file for file in rendering.files if file.part.is_levelled]
    return [(f.part.part, peak) for f in levelled if (peak := f.measures.true_peak_dbtp) is not None]


def _spreads(song: Song, rendering: Rendering) -> list[Reading]:
    """Loudness of the loudest stem of each bus against its softest; 0 LU where a bus has one stem.

    Stems of groups are held against those of the same group: an amp may be softer than another on purpose.
    """
    buses: dict[tuple[str, str | None], list[float | None]] = {}
    for file in rendering.files:
        if file.part.kind == "stem" and file.part.bus is not None:
            buses.setdefault((file.part.bus, file.part.group), []).append(file.measures.loudness_lufs)
    return [(f"bus {bus}" + f", {group}" * bool(group), _spread(stems)) for (bus, group), stems in buses.items()]


def _spread(stems: list[float | None]) -> float | None:
    """In LU; None where one of several stems is too soft or too short to have a loudness."""
    if len(stems) == 1:
        return 0.0
    found = [loudness for loudness in stems if loudness is not None]
    return max(found) - min(found) if len(found) == len(stems) else None


def _rooms_lost(song: Song, rendering: Rendering) -> list[Reading]:
    """Seconds in which a room is shut while its guitar sounds, of every room mic with a gate."""
    gated = [mic for p in song.performances if p.heard for mic in p.rooms if mic.room.mode != "off"]
    return [(mic.label, mic.room.lost_s) for mic in gated] or [("", 0.0)]


def _rooms_quiet(song: Song, rendering: Rendering) -> list[Reading]:
    """How much quieter every gated room is in the stops; a riff without stops has none to be quiet in."""
    gated = {m.label for m in song.mics if m.is_room and m.room.mode != "off"}
    rooms = [(f"{quiet.performance}/{quiet.mic}", quiet) for quiet in rendering.room_quiet if quiet.stops]
    return [(label, quiet.reduction_db) for label, quiet in rooms if label in gated]


def _mics_with(field: str) -> Readings:
    """The number of mics whose decision has this field, and which they are."""

    def readings(song: Song, rendering: Rendering) -> list[Reading]:
        names = [mic.label for mic in song.judged if getattr(mic.decision, field) is not None]
        return [(", ".join(names), float(len(names)))]

    return readings


def _set_up(field: str, error: str) -> Readings:
    """Each mic's change between performances and against an approved set-up; 0 where its error explains it."""

    def readings(song: Song, rendering: Rendering) -> list[Reading]:
        setup = set_up_of(song)
        if (setup is None or setup.pooled is None) and not song.against_approved:
            return [("the set-up", None)]
        found: list[Reading] = []
        between = [] if setup is None else _between(setup)
        for label, shift in (*between, *((shift.mic, shift) for shift in song.against_approved)):
            size, within = abs(getattr(shift, field)), SURE * getattr(shift, error)
            found.append((label, size if size > within else 0.0))
        return found or [("the set-up", 0.0)]

    return readings


def _between(setup: SetUp) -> list[tuple[str, Shift]]:
    """Every mic of every performance against all together, where there are several."""
    if setup.pooled is None or len(setup.performances) < 2:
        return []
    home = curves_of(setup.pooled, setup)
    return [
        (f"{own.performance}/{shift.mic}", shift)
        for own in setup.performances
        if own.reference == setup.pooled.reference
        for shift in shifts_of(home, curves_of(own, setup), setup.temperature_c)
    ]


def _left_out(song: Song, rendering: Rendering) -> list[Reading]:
    """How many performances and single mics have no file, and which."""
    names = [one.label for one in song.roll_call.left_out]
    return [(", ".join(names), float(len(names)))]


CHECKS = (
    Check("sum_efficiency_db", "limit-sum-efficiency", "sum efficiency", "dB", "at least", _efficiencies),
    Check(
        "worst_passage_db", "limit-worst-passage", "sum efficiency of the worst 2 s", "dB", "at least", _worst_passages
    ),
    Check("mono_fold_db", "limit-mono-fold", "mono fold", "dB", "at least", _of_guitar_bus("fold_db")),
    Check("correlation", "limit-correlation", "correlation", "", "at least", _of_guitar_bus("correlation")),
    Check("true_peak_dbtp", "limit-true-peak", "true peak", "dBTP", "at most", _true_peaks),
    Check("stem_spread_lu", "limit-stem-spread", "loudness spread of the stems", "LU", "at most", _spreads),
    Check("refused_mics", "limit-refused-mics", "number of refused mics", "", "at most", _mics_with("refusal")),
    Check("room_lost_s", "limit-room-lost", "guitar with its room shut", "s", "at most", _rooms_lost),
    Check("room_quiet_db", "limit-room-quiet", "quietening of the room in the stops", "dB", "at least", _rooms_quiet),
    Check("moved_mics", "limit-moved-mics", "number of moved mics", "", "at most", _mics_with("moved_samples")),
    Check(
        "setup_moved_mm", "limit-setup-moved", "move of a mic", "mm", "at most", _set_up("moved_mm", "moved_error_mm")
    ),
    Check(
        "setup_level_db",
        "limit-setup-level",
        "change of a mic's level",
        "dB",
        "at most",
        _set_up("level_db", "level_error_db"),
    ),
    Check("left_out", "limit-left-out", "number of performances and mics left out", "", "at most", _left_out),
)
"""Every limit of the recipe."""
