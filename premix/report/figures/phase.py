"""Phase and coherence of the mics against the reference by frequency, as recorded and aligned."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from premix.dsp.bands import band_slices, third_octave_bands
from premix.dsp.mic_filters import mic_sections, sections_response
from premix.model.analysis import ComplexArray, FloatArray, Spectra
from premix.model.render import MicPath, PerformancePlan
from premix.report.drawing import frequency_axis, frequency_label, legend, panels
from premix.report.facts import NOTHING, written
from premix.report.figures.picture import Material, Picture
from premix.report.palette import series

_BANDS = third_octave_bands(40.0, 10_000.0)
_CENTRES_HZ = np.array([band.centre_hz for band in _BANDS])
_OCTAVES_HZ = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
_LEAST_COHERENCE = 0.1
_LEAST_POWER = 10.0 ** (-25.0 / 10.0)
"""Bands in which a mic is less coherent, or that far below the reference in the sum: a phase there says nothing."""


@dataclass(frozen=True, slots=True)
class _Against:
    """One mic against the reference in each band: phases in degrees, positive where the mic is ahead, NaN where
    they say nothing; coherence, 0 to 1."""

    mic: str
    recorded_deg: FloatArray
    aligned_deg: FloatArray
    coherence: FloatArray


def pictures(material: Material) -> Iterator[Picture]:
    """One picture a performance with at least one mic beside its reference."""
    run = material.run
    for plan in run.plan.performances:
        mics = [path.track.mic for path in plan.close]
        if len(mics) > 1:
            own = plan.close[mics.index(run.alignment.reference) if run.alignment.reference in mics else 0]
            spectra = run.analysis.spectra_of(plan.performance)
            found = [_against(spectra, p, own, run.tracks.rate) for p in plan.close if p is not own]
            yield _picture(plan, own.track.mic, found)


def _against(spectra: Spectra, path: MicPath, own: MicPath, rate: int) -> _Against:
    """Band means of the cross-spectrum, each mic with its gain and filters as it enters the sum."""
    m, r = spectra.mics.index(path.track.mic), spectra.mics.index(own.track.mic)
    freqs, total = spectra.freqs_hz, spectra.active.sum(axis=0)
    read_early = spectra.offsets[m] - spectra.offsets[r]
    recorded = total[m, r] * _entry(path, freqs, rate, False) * _entry(own, freqs, rate, False).conj()
    recorded = recorded * np.exp(-2j * np.pi * freqs / rate * read_early)
    aligned = total[m, r] * _entry(path, freqs, rate, True) * _entry(own, freqs, rate, True).conj()
    aligned = aligned * np.exp(-2j * np.pi * freqs / rate * read_early)
    power = np.real(total[m, m]) * np.abs(_entry(path, freqs, rate, True)) ** 2
    reference = np.real(total[r, r]) * np.abs(_entry(own, freqs, rate, True)) ** 2
    slices = band_slices(freqs, _BANDS)
    means = [np.array([values[part].sum() for part in slices]) for values in (recorded, aligned, power, reference)]
    energy = np.real(means[2] * means[3])
    coherence = np.abs(means[1]) ** 2 / np.where(energy > 0.0, energy, np.inf)
    silent = (coherence < _LEAST_COHERENCE) | (np.real(means[2]) < _LEAST_POWER * np.real(means[3]))
    before, after = (np.where(silent, np.nan, np.degrees(np.angle(mean))) for mean in means[:2])
    return _Against(path.track.mic, before, after, coherence)


def _entry(path: MicPath, freqs_hz: FloatArray, rate: int, aligned: bool) -> ComplexArray:
    """(F) what a mic's spectrum is multiplied by on its way into the sum."""
    sections = mic_sections(rate, path.high_pass_hz, path.low_pass_hz, path.rotation if aligned else None)
    response = sections_response(sections, freqs_hz, rate) * abs(path.gain)
    if aligned:
        response = response * np.sign(path.gain) * np.exp(2j * np.pi * freqs_hz / rate * path.delay_samples)
    return np.asarray(response, np.complex128)


def _picture(plan: PerformancePlan, reference: str, found: list[_Against]) -> Picture:
    known = [one for one in found if not np.isnan(one.aligned_deg).all()]
    off = ", ".join(f"{one.mic} {np.nanmedian(np.abs(one.aligned_deg)):.0f} degrees" for one in known)
    return Picture(
        name=f"phase_{plan.performance}",
        title=f"{plan.performance}: phase and coherence against {reference}",
        text="Phase of each mic by frequency where it counts in the sum, as recorded above, aligned in the middle; "
             f"below, coherence. Median distance from 0 when aligned: {off or 'none is coherent'}.",
        draw=lambda: _draw(found),
        head=("third octave, Hz", *(frequency_label(hz) for hz in _OCTAVES_HZ)),
        rows=tuple(row for one in found for row in _rows(one)),
    )


def _rows(one: _Against) -> Iterator[tuple[str, ...]]:
    octaves = [int(np.argmin(np.abs(np.log(_CENTRES_HZ / hz)))) for hz in _OCTAVES_HZ]
    for name, degrees in (("phase as recorded, °", one.recorded_deg), ("phase aligned, °", one.aligned_deg)):
        yield (f"{one.mic}, {name}", *(NOTHING if np.isnan(degrees[b]) else written(degrees[b], 0) for b in octaves))
    yield (f"{one.mic}, coherence", *(written(one.coherence[b], 2) for b in octaves))


def _draw(found: list[_Against]) -> Any:
    figure, axes = panels([1.2, 1.2, 0.9])
    for one, (ink, dash) in zip(found, series(len(found) + 1)[1:], strict=True):
        for panel, values in zip(axes, (one.recorded_deg, one.aligned_deg, one.coherence), strict=True):
            panel.plot(_CENTRES_HZ, values, color=ink, linestyle=dash, marker="o", markersize=2.5, label=one.mic)
    for panel, title in zip(axes, ("phase as recorded", "phase aligned"), strict=False):
        panel.set(title=title, ylim=(-190, 190), yticks=(-180, -90, 0, 90, 180))
        panel.set_ylabel("degrees")
    axes[2].set(title="coherence", ylim=(-0.03, 1.03), yticks=(0, 0.5, 1))
    frequency_axis(axes[2], _CENTRES_HZ[0] / 1.1, _CENTRES_HZ[-1] * 1.1)
    legend(axes[0], len(found))
    return figure
