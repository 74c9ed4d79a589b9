"""The set-up, which is one for all performances: a row a mic, and the efficiency, the phases and the coherence of all
performances in one picture each, with what they are apart as a band. What is not like the others stands apart.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from premix.arrays import FloatArray
from premix.model.alignment import Efficiency
from premix.model.mix import Rendered
from premix.model.song import Mic, Song
from premix.report.alignment_pictures import CENTRES_HZ, Against, against_reference
from premix.report.drawing import (
    HALF_IN,
    NOTHING,
    band_label,
    colour,
    frequency_axis,
    legend,
    legend_columns,
    panels,
    series,
    spoken,
    written,
)
from premix.report.pictures import Picture, mixed_performances
from premix.report.window import reference_place
from premix.units import gain_to_db, samples_to_ms

_LOWEST_DB = -24.0
_CONFIDENCE = ("fair", "good", "sure")


@dataclass(frozen=True, slots=True)
class MicRow:
    """One mic of the set-up in the performances in which it is alike; figures as text, of several the worst.

    where: '5 performances', or the one that it speaks of; apart: why it is not like the others, '' where it is.
    """

    mic: str
    where: str
    role: str
    polarity: str
    delay_ms: str
    cm: str
    gain: str
    decided: str
    coherence: str
    loses_db: str
    apart: str = ""


def is_apart(mic: Mic) -> str:
    """Why a mic is not like its like in the other performances; '' where it is."""
    decision = mic.decision
    if decision.refusal is not None:
        return "refused, in the sum as recorded" if decision.summed else "refused, not in the sum"
    if decision.passages:
        return "changes in the song, followed"
    return "moved" if decision.moved_samples is not None else ""


def mic_rows(song: Song) -> Iterator[MicRow]:
    """A row a mic, and below it one for each performance in which it is not like the others."""
    for name in dict.fromkeys(mic.name for mic in song.judged):
        own = [mic for mic in song.judged if mic.name == name]
        alike = [mic for mic in own if not is_apart(mic)]
        labels = _unlike(alike)
        if pooled := [mic for mic in alike if mic.label not in labels]:
            yield _row(song, pooled, "")
        for mic in own:
            if why := is_apart(mic) or ("polarity unlike the others" if mic.label in labels else ""):
                yield _row(song, [mic], why)


def _unlike(mics: Sequence[Mic]) -> set[str]:
    """Those of the rarer polarity; of two equal parts the inverted ones."""
    turned = {mic.label for mic in mics if mic.decision.polarity < 0}
    other = {mic.label for mic in mics} - turned
    return turned if len(turned) <= len(other) else other


def _row(song: Song, mics: Sequence[Mic], apart: str) -> MicRow:
    first, decisions = mics[0], [mic.decision for mic in mics]
    delays = [samples_to_ms(decision.delay_samples, song.rate) for decision in decisions]
    ways = [way for mic in mics if (way := song.way_cm(mic)) is not None]
    gains = sorted({round(gain_to_db(mic.gain), 2) for mic in mics if mic.decision.summed})
    words = sorted({d.confidence for d in decisions if d.confidence is not None}, key=_CONFIDENCE.index)
    decided = ", ".join((*dict.fromkeys(decision.origin for decision in decisions), *words[:1]))
    return MicRow(
        mic=first.name,
        where=first.performance if len(mics) == 1 else f"{len(mics)} performances",
        role=first.role,
        polarity="inverted" if decisions[0].polarity < 0 else "normal",
        delay_ms=_spread(delays, 3),
        cm=_spread(ways, 1) if ways else NOTHING,
        gain=" or ".join(written(gain, 1, sign=True) for gain in gains) or "not summed",
        decided="reference, stays" if first.name == decisions[0].reference else decided,
        coherence=_least([decision.coherence for decision in decisions], 3),
        loses_db=_least([decision.margin_db for decision in decisions], 2),
        apart=apart,
    )


def _spread(values: Sequence[float], digits: int) -> str:
    """Middle and how far the farthest is from it: '1.036 ± 0.002'."""
    middle = 0.5 * (min(values) + max(values))
    apart = max(values) - middle
    return written(middle, digits, sign=True) + (f" ± {apart:.{digits}f}" if apart >= 0.5 * 10**-digits else "")


def _least(values: Sequence[float | None], digits: int) -> str:
    return written(min((value for value in values if value is not None), default=None), digits)


def set_up_pictures(rendered: Rendered) -> Iterator[Picture]:
    """Sum efficiency of all performances by third octave; phase and coherence of every mic against the reference."""
    found = [performance.efficiency for performance in rendered.song.performances if performance.efficiency.bands]
    if found:
        yield _efficiency_picture(found)
    against = list(_pooled_phases(rendered))
    if against:
        yield _phase_picture(against)


@dataclass(frozen=True, slots=True)
class _Pool:
    """(performances, bands) of one thing, NaN where a performance has nothing there."""

    values: FloatArray

    @property
    def middle(self) -> FloatArray:
        return _quiet(np.nanmedian, self.values)

    @property
    def low(self) -> FloatArray:
        return _quiet(np.nanmin, self.values)

    @property
    def high(self) -> FloatArray:
        return _quiet(np.nanmax, self.values)


def _quiet(reduce: Any, values: FloatArray) -> FloatArray:
    """A reduction over performances that gives NaN where there is nothing, without a warning."""
    found = np.full(values.shape[1], np.nan)
    known = ~np.isnan(values).all(axis=0)
    if known.any():
        found[known] = reduce(values[:, known], axis=0)
    return found


def _efficiency_picture(found: Sequence[Efficiency]) -> Picture:
    centres = sorted({band.centre_hz for e in found for band in e.bands})
    pools = {key: _Pool(np.array([_by_band(e, centres, key) for e in found])) for key in ("before_db", "after_db")}
    words = (("before_db", "as recorded"), ("after_db", "aligned"))
    worst = {key: int(np.nanargmin(pool.low)) for key, pool in pools.items()}
    said = "; ".join(
        f"{word} {written(float(pools[key].low[worst[key]]), 2)} dB at {spoken(band_label(centres[worst[key]]))}"
        for key, word in words
    )
    rows = [
        (f"{word}{name}", *(written(None if np.isnan(v) else float(v), digits) for v in values))
        for key, word, digits in (("before_db", "recorded", 1), ("after_db", "aligned", 2))
        for name, values in (("", pools[key].middle), (", low", pools[key].low), (", high", pools[key].high))
    ]
    return Picture(
        name="set_up_efficiency",
        title=f"Sum efficiency of {len(found)} performance{'s' * (len(found) > 1)}",
        text="0 dB is every mic in phase. Lines are the middle of the performances, bands their spread. "
        f"Worst: {said}.",
        draw=lambda: _draw_efficiency(centres, pools),
        head=("dB in third octave, Hz", *(band_label(hz) for hz in centres)),
        rows=tuple(rows),
    )


def _by_band(efficiency: Efficiency, centres: Sequence[float], key: str) -> list[float]:
    bands = {band.centre_hz: float(getattr(band, key)) for band in efficiency.bands}
    return [bands.get(hz, float("nan")) for hz in centres]


def _draw_efficiency(centres: Sequence[float], pools: dict[str, _Pool]) -> Any:
    figure, (axes,) = panels([2.9], width_in=HALF_IN)
    styles = (("before_db", "recorded", (0.0, (4.0, 1.5)), "as recorded"), ("after_db", "aligned", "-", "aligned"))
    for key, ink, dash, label in styles:
        pool = pools[key]
        low, middle, high = (np.maximum(values, _LOWEST_DB) for values in (pool.low, pool.middle, pool.high))
        axes.fill_between(centres, low, high, color=colour(ink), alpha=0.25, linewidth=0)
        axes.plot(centres, middle, color=colour(ink), linestyle=dash, label=label)
    axes.axhline(0.0, color=colour("ink"), linewidth=0.8)
    lowest = float(np.nanmin([np.nanmin(pool.low) for pool in pools.values()]))
    axes.set(ylim=(max(_LOWEST_DB, 3.0 * np.floor(lowest / 3.0)) - 0.5, 0.7), ylabel="dB")
    frequency_axis(axes, centres[0] / 1.1, centres[-1] * 1.1)
    legend(axes, 2, left=0.0)
    return figure


def _pooled_phases(rendered: Rendered) -> Iterator[tuple[str, list[Against]]]:
    """Every mic beside the reference, with what it is in each performance in which it is like the others."""
    found: dict[str, list[Against]] = {}
    for performance, plan in mixed_performances(rendered):
        if len(plan.close) < 2:
            continue
        own = plan.close[reference_place(rendered.song, plan)]
        apart = {mic.name for mic in performance.close if is_apart(mic)}
        for path in plan.close:
            if path is not own and path.track.mic not in apart:
                one = against_reference(performance.spectra, path, own, rendered.song.rate)
                found.setdefault(path.track.mic, []).append(one)
    yield from found.items()


def _phase_picture(against: Sequence[tuple[str, list[Against]]]) -> Picture:
    off = ", ".join(f"{mic} {_middle_off(own):.0f} degrees" for mic, own in against if _middle_off(own) >= 0.0)
    octaves = [int(np.argmin(np.abs(np.log(CENTRES_HZ / hz)))) for hz in (63, 125, 250, 500, 1000, 2000, 4000, 8000)]
    rows = []
    for mic, own in against:
        for name, key, digits in _CURVES:
            pool = pooled(own, key)
            cells = [NOTHING if np.isnan(pool[0][b]) else written(float(pool[0][b]), digits) for b in octaves]
            rows.append((f"{mic}, {name}", *cells))
    return Picture(
        name="set_up_phase",
        title="Phase and coherence against the reference",
        text="Lines are the middle of the performances, bands their spread; where a mic says nothing there is no line. "
        f"Middle distance from 0 when aligned: {off or 'none is coherent'}.",
        draw=lambda: _draw_phases(against),
        head=("third octave, Hz", *(band_label(CENTRES_HZ[b]) for b in octaves)),
        rows=tuple(rows),
    )


_CURVES = (
    ("phase as recorded, °", "recorded_deg", 0),
    ("phase aligned, °", "aligned_deg", 0),
    ("coherence", "coherence", 2),
)


def _middle_off(own: Sequence[Against]) -> float:
    """-1 where nothing is coherent."""
    values = np.abs(np.array([one.aligned_deg for one in own]))
    return -1.0 if np.isnan(values).all() else float(np.nanmedian(values))


def pooled(own: Sequence[Against], key: str) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(middle, lowest, highest) by band; phases are taken around their own mean direction, so that 179 and -179 degrees
    are two degrees apart."""
    values = np.array([getattr(one, key) for one in own])
    if key == "coherence":
        pool = _Pool(values)
        return pool.middle, pool.low, pool.high
    turns = np.exp(1j * np.radians(values))
    mean = np.degrees(np.angle(np.nansum(turns, axis=0)))
    pool = _Pool((values - mean + 180.0) % 360.0 - 180.0)
    middle = (mean + pool.middle + 180.0) % 360.0 - 180.0
    return middle, middle + pool.low - pool.middle, middle + pool.high - pool.middle


_LEGEND_LEFT, _LEGEND_IN = 0.32, 3.1
"""Where the legend begins beside its title, and the width that is left for it."""


def _draw_phases(against: Sequence[tuple[str, list[Against]]]) -> Any:
    rows = -(-len(against) // legend_columns([mic for mic, _ in against], len(against), _LEGEND_IN))
    figure, axes = panels([1.0, 1.0, 0.65], width_in=HALF_IN, top_in=0.16 + 0.17 * rows, between_in=0.34)
    for (mic, own), (ink, dash) in zip(against, series(len(against) + 1)[1:], strict=True):
        for panel, (_, key, _) in zip(axes, _CURVES, strict=True):
            middle, low, high = pooled(own, key)
            panel.fill_between(CENTRES_HZ, low, high, color=ink, alpha=0.25, linewidth=0)
            panel.plot(CENTRES_HZ, middle, color=ink, linestyle=dash, label=mic)
    for panel, title in zip(axes, ("phase as recorded", "phase aligned"), strict=False):
        panel.set(ylim=(-190, 190), yticks=(-180, 0, 180), ylabel="degrees")
        panel.set_title(title)
    axes[2].set(ylim=(-0.03, 1.03), yticks=(0, 0.5, 1))
    axes[2].set_title("coherence")
    frequency_axis(axes[2], CENTRES_HZ[0] / 1.1, CENTRES_HZ[-1] * 1.1)
    legend(axes[0], len(against), left=_LEGEND_LEFT)
    return figure
