"""The limits of a recipe, held against what was decided and measured: one finding for each that is broken."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from premix.messages.measures import SLUGS
from premix.model.alignment import Alignment, MicDecision
from premix.model.finding import Finding
from premix.model.recipe import Limits
from premix.model.render import Rendering

Reading = tuple[str, float]
"""What was measured: its subject, and the figure."""


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

    A figure on the limit is inside. A limit for which nothing was measured (silence, or an output that is not
    delivered) gives a finding of severity warning, so that it does not pass unseen.
    """
    found = []
    for check in CHECKS:
        finding = _judge(check, getattr(limits, check.field), check.readings(alignment, rendering))
        if finding is not None:
            found.append(finding)
    return tuple(found)


def _judge(check: Check, limit: float | None, readings: list[Reading]) -> Finding | None:
    if limit is None:
        return None
    if not readings:
        slug, subject = "limit-not-measured", f"limits.{check.field}"
        return Finding(slug, "warning", subject, f"no {check.what} was measured", SLUGS[slug])
    sign = 1.0 if check.allowed == "at least" else -1.0
    subject, worst = min(readings, key=lambda reading: sign * reading[1])
    if sign * worst >= sign * limit:
        return None
    message = f"{check.what} is {_digits(worst, limit)} {check.unit}".rstrip()
    message += f", allowed is {check.allowed} {limit:g} {check.unit}".rstrip()
    return Finding(check.slug, "error", subject, message, SLUGS[check.slug])


def _digits(value: float, limit: float) -> str:
    """The value with as many decimals as it takes to tell it from the limit; whole numbers without any."""
    if float(value).is_integer():
        return f"{value:.0f}"
    texts = (f"{value:.{decimals}f}" for decimals in range(2, 18))
    return next((text for text in texts if float(text) != limit), repr(value))


def _efficiencies(alignment: Alignment, rendering: Rendering) -> list[Reading]:
    return [(e.performance, e.after_db) for e in alignment.efficiencies]


def _folds(alignment: Alignment, rendering: Rendering) -> list[Reading]:
    fold_db = rendering.stereo.fold_db if rendering.stereo else None
    return [] if fold_db is None else [("guitar bus", fold_db)]


def _correlations(alignment: Alignment, rendering: Rendering) -> list[Reading]:
    correlation = rendering.stereo.correlation if rendering.stereo else None
    return [] if correlation is None else [("guitar bus", correlation)]


def _true_peaks(alignment: Alignment, rendering: Rendering) -> list[Reading]:
    peaks = ((file.part.part, file.measures.true_peak_dbtp) for file in rendering.files)
    return [(part, peak) for part, peak in peaks if peak is not None]


def _spreads(alignment: Alignment, rendering: Rendering) -> list[Reading]:
    """Loudness of the loudest stem of each bus against its softest; 0 LU where a bus has one stem."""
    buses: dict[str, list[float]] = {}
    for file in rendering.files:
        loudness = file.measures.loudness_lufs
        if file.part.kind == "stem" and file.part.bus is not None and loudness is not None:
            buses.setdefault(file.part.bus, []).append(loudness)
    return [(f"bus {bus}", max(stems) - min(stems)) for bus, stems in buses.items()]


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
