"""The limits of a recipe, held against what was decided and measured: one finding for each that is broken."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from premix.model.alignment import Alignment, MicDecision
from premix.model.finding import Finding
from premix.model.mix import Rendering
from premix.model.recipe import Limits

Reading = tuple[str, float | None]
"""What was measured: its subject, and the figure; None where it has none, as silence has no correlation."""


@dataclass(frozen=True, slots=True)
class Check:
    """One limit: its field in `Limits`, which side of it is allowed, and where the figures come from."""

    field: str
    slug: str
    what: str
    unit: str
    allowed: Literal["at least", "at most"]
    readings: Callable[[Alignment, Rendering], list[Reading]]


def check_limits(limits: Limits, alignment: Alignment, rendering: Rendering) -> tuple[Finding, ...]:
    """The broken limits, one finding of severity error each, which names the worst offender.

    A figure on the limit is inside. A limit that cannot be measured (silence, or an output that is not delivered)
    is broken too: nobody can say that it holds.
    """
    found = []
    for check in CHECKS:
        finding = _finding(check, getattr(limits, check.field), check.readings(alignment, rendering))
        if finding is not None:
            found.append(finding)
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Judged:
    """How a limit was held. worst: the figure that decides, of `subject`; None: what decides cannot be measured."""

    subject: str
    worst: float | None
    holds: bool


def judge(check: Check, limit: float, readings: list[Reading]) -> Judged:
    """The worst figure beyond the limit; else whatever has none; else the figure nearest to the limit."""
    sign = 1.0 if check.allowed == "at least" else -1.0
    measured = [(subject, figure) for subject, figure in readings if figure is not None]
    subject, worst = min(measured, key=lambda reading: sign * reading[1], default=("", limit))
    if sign * worst < sign * limit:
        return Judged(subject, worst, False)
    if measured and len(measured) == len(readings):
        return Judged(subject, worst, True)
    return Judged(", ".join(subject for subject, figure in readings if figure is None), None, False)


def _finding(check: Check, limit: float | None, readings: list[Reading]) -> Finding | None:
    judged = judge(check, limit, readings) if limit is not None else None
    if limit is None or judged is None or judged.holds:
        return None
    if (worst := judged.worst) is None:
        slug, message = "limit-not-measured", f"{check.what} cannot be measured"
        message += f": {judged.subject}" if judged.subject else ""
        return Finding(slug, "error", f"limits.{check.field}", message)
    message = f"{check.what} is {_digits(worst, limit)} {check.unit}".rstrip()
    message += f", allowed is {check.allowed} {limit:g} {check.unit}".rstrip()
    return Finding(check.slug, "error", judged.subject, message)


def _digits(value: float, limit: float) -> str:
    """The value with as many decimals as it takes to tell it from the limit; whole numbers without any."""
    if float(value).is_integer():
        return f"{value:.0f}"
    texts = (f"{value:.{decimals}f}" for decimals in range(2, 18))
    return next((text for text in texts if float(text) != limit), repr(value))


def _efficiencies(alignment: Alignment, rendering: Rendering) -> list[Reading]:
    """Of every performance with a mic in its sum; one without sound has no band to measure in."""
    summed = {d.performance for d in alignment.decisions if d.summed}
    return [(e.performance, e.after_db if e.bands else None) for e in alignment.efficiencies if e.performance in summed]


def _folds(alignment: Alignment, rendering: Rendering) -> list[Reading]:
    return [("guitar bus", rendering.stereo.fold_db if rendering.stereo else None)]


def _correlations(alignment: Alignment, rendering: Rendering) -> list[Reading]:
    return [("guitar bus", rendering.stereo.correlation if rendering.stereo else None)]


def _true_peaks(alignment: Alignment, rendering: Rendering) -> list[Reading]:
    """Of every file that holds sound: silence is below any peak."""
    peaks = ((file.part.part, file.measures.true_peak_dbtp) for file in rendering.files)
    return [(part, peak) for part, peak in peaks if peak is not None]


def _spreads(alignment: Alignment, rendering: Rendering) -> list[Reading]:
    """Loudness of the loudest stem of each bus against its softest; 0 LU where a bus has one stem."""
    buses: dict[str, list[float | None]] = {}
    for file in rendering.files:
        if file.part.kind == "stem" and file.part.bus is not None:
            buses.setdefault(file.part.bus, []).append(file.measures.loudness_lufs)
    return [(f"bus {bus}", _spread(stems)) for bus, stems in buses.items()]


def _spread(stems: list[float | None]) -> float | None:
    """In LU; None where one of several stems is too soft or too short to have a loudness."""
    if len(stems) == 1:
        return 0.0
    found = [loudness for loudness in stems if loudness is not None]
    return max(found) - min(found) if len(found) == len(stems) else None


def _refused(alignment: Alignment, rendering: Rendering) -> list[Reading]:
    return _count(d for d in alignment.decisions if d.refusal is not None)


def _moved(alignment: Alignment, rendering: Rendering) -> list[Reading]:
    return _count(d for d in alignment.decisions if d.moved_samples is not None)


def _count(decisions: Iterable[MicDecision]) -> list[Reading]:
    names = [decision.name for decision in decisions]
    return [(", ".join(names), float(len(names)))]


CHECKS = (
    Check("sum_efficiency_db", "limit-sum-efficiency", "sum efficiency", "dB", "at least", _efficiencies),
    Check("mono_fold_db", "limit-mono-fold", "mono fold", "dB", "at least", _folds),
    Check("correlation", "limit-correlation", "correlation", "", "at least", _correlations),
    Check("true_peak_dbtp", "limit-true-peak", "true peak", "dBTP", "at most", _true_peaks),
    Check("stem_spread_lu", "limit-stem-spread", "loudness spread of the stems", "LU", "at most", _spreads),
    Check("refused_mics", "limit-refused-mics", "number of refused mics", "", "at most", _refused),
    Check("moved_mics", "limit-moved-mics", "number of moved mics", "", "at most", _moved),
)
"""Every limit of the recipe; mono fold and correlation are those of the whole song."""
