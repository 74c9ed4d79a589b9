"""Pictures of what the alignment found and did: sum efficiency in third octaves, phase and coherence of the mics
against the reference by frequency, and the waveforms over the clearest attack, each as recorded and aligned.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from premix.arrays import ComplexArray, FloatArray
from premix.audio.bands import band_slices, third_octave_bands
from premix.audio.filters import mic_sections, sections_response
from premix.mixdown.plan import Switches, switched
from premix.mixdown.render import Excerpt
from premix.model.alignment import BandEfficiency, Efficiency, Passage
from premix.model.mix import MicPath, MixPlan, PerformancePlan, Rendered
from premix.model.tracks import Spectra
from premix.report.drawing import (
    NOTHING,
    band_label,
    colour,
    frequency_axis,
    frequency_label,
    legend,
    panels,
    series,
    spoken,
    written,
)
from premix.report.pictures import Picture, bare_mix, mixed_performances
from premix.report.window import Window, attack_window, clearest_attack, reference_place
from premix.units import samples_to_ms, samples_to_s

_MOST_PANELS = 6
_LOWEST_DB = -30.0


def efficiency_pictures(rendered: Rendered) -> Iterator[Picture]:
    """Pictures of up to six performances each."""
    found = [performance.efficiency for performance in rendered.song.performances if performance.efficiency.bands]
    for first in range(0, len(found), _MOST_PANELS):
        yield _efficiency_picture(found[first : first + _MOST_PANELS], first // _MOST_PANELS + 1)


def _efficiency_picture(efficiencies: list[Efficiency], number: int) -> Picture:
    centres = sorted({band.centre_hz for e in efficiencies for band in e.bands})
    rows = []
    for efficiency in efficiencies:
        bands = {band.centre_hz: band for band in efficiency.bands}
        found = [bands.get(hz) for hz in centres]
        rows.append((f"{efficiency.performance} as recorded", *(written(b.before_db if b else None) for b in found)))
        rows.append((f"{efficiency.performance} aligned", *(written(b.after_db if b else None, 2) for b in found)))
    return Picture(
        name=f"efficiency_{number}",
        title="Sum efficiency by third octave",
        text=f"Bars down from 0 dB, the limit. Worst third octaves as recorded: {_worst(efficiencies, 'before_db')}. "
        f"Aligned: {_worst(efficiencies, 'after_db')}.",
        draw=lambda: _draw_efficiency(efficiencies, centres),
        head=("dB in third octave, Hz", *(band_label(hz) for hz in centres)),
        rows=tuple(rows),
    )


def _worst(efficiencies: list[Efficiency], key: str) -> str:
    def value(band: BandEfficiency) -> float:
        return float(getattr(band, key))

    worst = [(e.performance, min(e.bands, key=value)) for e in efficiencies]
    return ", ".join(
        f"{name} {written(value(band))} dB at {spoken(band_label(band.centre_hz))}" for name, band in worst
    )


def _draw_efficiency(efficiencies: list[Efficiency], centres: list[float]) -> Any:
    figure, axes = panels([0.85] * len(efficiencies))
    worst = min(min(band.before_db, band.after_db) for e in efficiencies for band in e.bands)
    lowest = max(_LOWEST_DB, 10.0 * math.floor(min(worst, -0.1) / 10.0))
    for panel, efficiency in zip(axes, efficiencies, strict=True):
        for shift, key, ink, label in (
            (-1, "before_db", "recorded", "as recorded"),
            (1, "after_db", "aligned", "aligned"),
        ):
            middle = [band.centre_hz * 10 ** (0.021 * shift) for band in efficiency.bands]
            values = [max(lowest, getattr(band, key)) for band in efficiency.bands]
            panel.bar(middle, values, width=[hz * 0.092 for hz in middle], color=colour(ink), label=label)
        panel.set(title=efficiency.performance, ylim=(lowest, -0.04 * lowest), ylabel="dB")
        panel.axhline(0.0, color=colour("ink"), linewidth=0.8)
    frequency_axis(axes[-1], centres[0] / 1.15, centres[-1] * 1.15)
    legend(axes[0], 2)
    return figure


_BANDS = third_octave_bands(40.0, 10_000.0)
CENTRES_HZ = np.array([band.centre_hz for band in _BANDS])
"""Of the third octaves that phases are told in."""
_OCTAVES_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
_LEAST_COHERENCE = 0.1
_LEAST_POWER = 10.0 ** (-25.0 / 10.0)
"""Bands in which a mic is less coherent, or that far below the reference in the sum: a phase there says nothing."""


@dataclass(frozen=True, slots=True)
class Against:
    """One mic against the reference in each band: phases in degrees, positive where the mic is ahead, NaN where
    they say nothing; coherence, 0 to 1."""

    mic: str
    recorded_deg: FloatArray
    aligned_deg: FloatArray
    coherence: FloatArray


def phase_pictures(rendered: Rendered) -> Iterator[Picture]:
    """One picture a performance with at least one mic beside its reference."""
    for performance, plan in mixed_performances(rendered):
        if len(plan.close) > 1:
            own = plan.close[reference_place(rendered.song, plan)]
            others = (path for path in plan.close if path is not own)
            found = [against_reference(performance.spectra, path, own, rendered.song.rate) for path in others]
            yield _phase_picture(plan, own.track.mic, found)


def against_reference(spectra: Spectra, path: MicPath, own: MicPath, rate: int) -> Against:
    """Band means of the cross-spectrum, each mic with its gain and filters as it enters the sum."""
    m, r = spectra.mics.index(path.track.mic), spectra.mics.index(own.track.mic)
    freqs, powers = spectra.freqs_hz, spectra.active_powers.sum(axis=0)
    cross = spectra.kept_active[:, m, spectra.partners.index(r)].sum(axis=0)
    read_early = np.exp(-2j * np.pi * freqs / rate * (spectra.offsets[m] - spectra.offsets[r]))
    recorded, aligned = (
        cross * _entry(path, freqs, rate, moved) * _entry(own, freqs, rate, moved).conj() * read_early
        for moved in (False, True)
    )
    power = powers[m] * np.abs(_entry(path, freqs, rate, True)) ** 2
    reference = powers[r] * np.abs(_entry(own, freqs, rate, True)) ** 2
    slices = band_slices(freqs, _BANDS)
    means = [np.array([values[part].sum() for part in slices]) for values in (recorded, aligned, power, reference)]
    energy = np.real(means[2] * means[3])
    coherence = np.abs(means[1]) ** 2 / np.where(energy > 0.0, energy, np.inf)
    silent = (coherence < _LEAST_COHERENCE) | (np.real(means[2]) < _LEAST_POWER * np.real(means[3]))
    before, after = (np.where(silent, np.nan, np.degrees(np.angle(mean))) for mean in means[:2])
    return Against(path.track.mic, before, after, coherence)


def _entry(path: MicPath, freqs_hz: FloatArray, rate: int, aligned: bool) -> ComplexArray:
    """(F) what a mic's spectrum is multiplied by on its way into the sum."""
    sections = mic_sections(rate, path.high_pass_hz, path.low_pass_hz, path.rotation if aligned else None)
    response = sections_response(sections, freqs_hz, rate) * path.gain
    if aligned:
        response = response * path.polarity * np.exp(2j * np.pi * freqs_hz / rate * path.delay_samples)
    return np.asarray(response, np.complex128)


def _phase_picture(plan: PerformancePlan, reference: str, found: list[Against]) -> Picture:
    known = [one for one in found if not np.isnan(one.aligned_deg).all()]
    off = ", ".join(f"{one.mic} {np.nanmedian(np.abs(one.aligned_deg)):.0f} degrees" for one in known)
    return Picture(
        name=f"phase_{plan.performance}",
        title=f"{plan.performance}: phase and coherence against {reference}",
        text="Phase of each mic by frequency where it counts in the sum, as recorded above, aligned in the middle; "
        f"below, coherence. Median distance from 0 when aligned: {off or 'none is coherent'}.",
        draw=lambda: _draw_phase(found),
        head=("third octave, Hz", *(frequency_label(hz) for hz in _OCTAVES_HZ)),
        rows=tuple(row for one in found for row in _rows(one)),
    )


def _rows(one: Against) -> Iterator[tuple[str, ...]]:
    octaves = [int(np.argmin(np.abs(np.log(CENTRES_HZ / hz)))) for hz in _OCTAVES_HZ]
    for name, degrees in (("phase as recorded, °", one.recorded_deg), ("phase aligned, °", one.aligned_deg)):
        yield (f"{one.mic}, {name}", *(NOTHING if np.isnan(degrees[b]) else written(degrees[b], 0) for b in octaves))
    yield (f"{one.mic}, coherence", *(written(one.coherence[b], 2) for b in octaves))


def _draw_phase(found: list[Against]) -> Any:
    figure, axes = panels([1.2, 1.2, 0.9])
    for one, (ink, dash) in zip(found, series(len(found) + 1)[1:], strict=True):
        for panel, values in zip(axes, (one.recorded_deg, one.aligned_deg, one.coherence), strict=True):
            panel.plot(CENTRES_HZ, values, color=ink, linestyle=dash, marker="o", markersize=2.5, label=one.mic)
    for panel, title in zip(axes, ("phase as recorded", "phase aligned"), strict=False):
        panel.set(title=title, ylim=(-190, 190), yticks=(-180, -90, 0, 90, 180))
        panel.set_ylabel("degrees")
    axes[2].set(title="coherence", ylim=(-0.03, 1.03), yticks=(0, 0.5, 1))
    frequency_axis(axes[2], CENTRES_HZ[0] / 1.1, CENTRES_HZ[-1] * 1.1)
    legend(axes[0], len(found))
    return figure


@dataclass(frozen=True, slots=True)
class _Attack:
    """What is drawn: (mics, n) samples, and (n) of the sum of the close mics, each as recorded and aligned."""

    mics: tuple[str, ...]
    reference: int
    times_ms: FloatArray
    recorded: FloatArray
    aligned: FloatArray
    sum_recorded: FloatArray
    sum_aligned: FloatArray


def attack_pictures(rendered: Rendered) -> Iterator[Picture]:
    """One picture a performance that has an attack; before any chain, as it shows what the alignment did."""
    song, mix = rendered.song, bare_mix(rendered.plan)
    for performance, plan in mixed_performances(replace(rendered, plan=mix)):
        begin = clearest_attack(song, performance, plan)
        if begin is not None:
            alone = replace(mix, performances=(plan,), buses=tuple(bus for bus in mix.buses if bus.name in plan.buses))
            picture = _attack_picture(_read(alone, plan, begin, reference_place(song, plan)), plan, begin, song.rate)
            yield replace(picture, apart=any(path.passages for path in plan.close))


def _attack_picture(attack: _Attack, plan: PerformancePlan, begin: int, rate: int) -> Picture:
    loudest = np.abs(attack.sum_aligned).max() / max(1e-9, np.abs(attack.sum_recorded).max())
    moved = [
        f"{path.track.mic} {_advance(path, begin, rate)} ms{' and turned over' * (_polarity(path, begin, rate) < 0)}"
        for path in plan.mics
        if path.delay_samples or path.polarity < 0 or path.passages
    ]
    return Picture(
        name=f"attack_{plan.performance}",
        title=f"{plan.performance}: the attack at {samples_to_s(begin, rate):.3f} s, up close",
        text=f"Waveforms of {', '.join(attack.mics)}, as recorded above, aligned in the middle. Advanced: "
        f"{', '.join(moved) or 'none'}. Below, their sum: its peak is {loudest:.2f} times as high aligned.",
        draw=lambda: _draw_attack(attack),
        head=(
            "mic",
            "advanced by, ms",
            "turned over",
            f"likeness to {attack.mics[attack.reference]} as recorded",
            "likeness aligned",
        ),
        rows=tuple(_row(path, attack, m, begin, rate) for m, path in enumerate(plan.mics)),
    )


def _read(mix: MixPlan, plan: PerformancePlan, begin: int, reference: int) -> _Attack:
    window = attack_window(begin, mix.rate)
    recorded, sum_recorded = _samples(switched(mix, Switches(recorded="all")), plan, window)
    aligned, sum_aligned = _samples(mix, plan, window)
    return _Attack(
        mics=tuple(path.track.mic for path in plan.mics),
        reference=reference,
        times_ms=(np.arange(window.frames) + window.start - begin) * 1000.0 / mix.rate,
        recorded=recorded,
        aligned=aligned,
        sum_recorded=sum_recorded,
        sum_aligned=sum_aligned,
    )


def _samples(mix: MixPlan, plan: PerformancePlan, window: Window) -> tuple[FloatArray, FloatArray]:
    """Each mic scaled to its own peak, as what is compared is time and sign, (mics, n); and the close mics' sum (n)."""
    mics = [f"mic_{plan.performance}_{path.track.mic}" for path in plan.mics]
    stem = f"stem_{plan.performance}"
    with Excerpt(mix, (*mics, stem), window.start) as excerpt:
        made = excerpt.next(window.frames)
    samples = np.array([made[mic][0] for mic in mics])
    return samples / np.maximum(1e-12, np.abs(samples).max(axis=1, keepdims=True)), made[stem][0]


def _row(path: MicPath, attack: _Attack, m: int, begin: int, rate: int) -> tuple[str, ...]:
    likeness = (_likeness(samples, attack.reference, m) for samples in (attack.recorded, attack.aligned))
    turned = "yes" if _polarity(path, begin, rate) < 0 else "no"
    return attack.mics[m], _advance(path, begin, rate), turned, *likeness


def _advance(path: MicPath, at: int, rate: int) -> str:
    """In ms, at sample `at` of the song."""
    own = _passage(path, at, rate)
    samples = path.delay_samples if own is None else own.at(samples_to_s(at, rate), rate)
    return written(samples_to_ms(samples, rate), 3)


def _polarity(path: MicPath, at: int, rate: int) -> int:
    own = _passage(path, at, rate)
    return path.polarity if own is None else own.polarity


def _passage(path: MicPath, at: int, rate: int) -> Passage | None:
    """That of a mic that changes in the song; None where it is steady."""
    begun = [passage for passage in path.passages if passage.from_s <= samples_to_s(at, rate)]
    return begun[-1] if begun else None


def _likeness(samples: FloatArray, reference: int, m: int) -> str:
    """Correlation with the reference over what is shown, as it lies."""
    scale = float(np.linalg.norm(samples[reference]) * np.linalg.norm(samples[m]))
    return written(float(samples[reference] @ samples[m]) / scale, 2, sign=True) if scale > 0.0 else NOTHING


def _draw_attack(attack: _Attack) -> Any:
    figure, axes = panels([1.6, 1.6, 1.1])
    for panel, samples, title in zip(axes, (attack.recorded, attack.aligned), ("as recorded", "aligned"), strict=False):
        for mic, row, (ink, dash) in zip(attack.mics, samples, series(len(attack.mics)), strict=True):
            panel.plot(attack.times_ms, row, color=ink, linestyle=dash, label=mic)
        panel.set(title=title, ylim=(-1.08, 1.08))
        panel.set_ylabel("own peak = 1")
    legend(axes[0], len(attack.mics))
    top = max(1e-9, float(np.abs(attack.sum_aligned).max()), float(np.abs(attack.sum_recorded).max()))
    axes[2].plot(
        attack.times_ms,
        attack.sum_recorded / top,
        color=colour("recorded"),
        linestyle=(0.0, (4.0, 1.5)),
        label="as recorded",
    )
    axes[2].plot(attack.times_ms, attack.sum_aligned / top, color=colour("aligned"), label="aligned")
    axes[2].set(title="sum of the close mics", ylim=(-1.08, 1.08), xlim=(attack.times_ms[0], attack.times_ms[-1]))
    axes[2].set_ylabel("same scale")
    axes[2].set_xlabel("time from the attack in ms")
    legend(axes[2], 2)
    return figure
