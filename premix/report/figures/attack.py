"""The waveforms up close: all mics of a performance over its clearest attack, as recorded and aligned."""

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from typing import Any

import numpy as np

from premix.model.analysis import FloatArray
from premix.model.render import MicPath, PerformancePlan
from premix.report.drawing import legend, panels
from premix.report.excerpt import MicExcerpt, close_sum
from premix.report.facts import NOTHING, written
from premix.report.figures.picture import Material, Picture
from premix.report.palette import colour, series
from premix.report.window import Window, attack_window, clearest_attack
from premix.units import samples_to_ms, samples_to_s


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


def pictures(material: Material) -> Iterator[Picture]:
    """One picture a performance that has an attack."""
    for plan in material.run.plan.performances:
        begin = clearest_attack(material.run, plan)
        if begin is not None:
            yield _picture(material, plan, begin)


def _picture(material: Material, plan: PerformancePlan, begin: int) -> Picture:
    rate = material.run.tracks.rate
    mics = [path.track.mic for path in plan.close]
    reference = material.run.alignment.reference
    attack = _read(plan, attack_window(begin, rate), begin, rate, mics.index(reference) if reference in mics else 0)
    loudest = np.abs(attack.sum_aligned).max() / max(1e-9, np.abs(attack.sum_recorded).max())
    moved = [
        f"{path.track.mic} {_advance(path, rate)} ms{' and turned over' * (path.gain < 0)}"
        for path in (*plan.close, *plan.rooms) if path.delay_samples or path.gain < 0
    ]
    return Picture(
        name=f"attack_{plan.performance}",
        title=f"{plan.performance}: the attack at {samples_to_s(begin, rate):.3f} s, up close",
        text=f"Waveforms of {', '.join(attack.mics)}, as recorded above, aligned in the middle. Advanced: "
             f"{', '.join(moved) or 'none'}. Below, their sum: its peak is {loudest:.2f} times as high aligned.",
        draw=lambda: _draw(attack),
        head=("mic", "advanced by, ms", "turned over", f"likeness to {attack.mics[attack.reference]} as recorded",
              "likeness aligned"),
        rows=tuple(_row(plan, attack, m, rate) for m in range(len(attack.mics))),
    )


def _read(plan: PerformancePlan, window: Window, begin: int, rate: int, reference: int) -> _Attack:
    paths = (*plan.close, *plan.rooms)
    sums = []
    for aligned in (False, True):
        with closing(close_sum(plan, rate, window.start, aligned=aligned)) as stream:
            sums.append(stream.next(window.frames))
    return _Attack(
        mics=tuple(path.track.mic for path in paths),
        reference=reference,
        times_ms=(np.arange(window.frames) + window.start - begin) * 1000.0 / rate,
        recorded=_mics(paths, window, rate, aligned=False),
        aligned=_mics(paths, window, rate, aligned=True),
        sum_recorded=sums[0],
        sum_aligned=sums[1],
    )


def _mics(paths: tuple[MicPath, ...], window: Window, rate: int, *, aligned: bool) -> FloatArray:
    """Each mic scaled to its own peak: what is compared is time and sign."""
    rows = []
    for path in paths:
        with closing(MicExcerpt(path, rate, window.start, aligned=aligned)) as stream:
            samples = stream.next(window.frames)
        rows.append(samples / max(1e-12, float(np.abs(samples).max())))
    return np.array(rows)


def _row(plan: PerformancePlan, attack: _Attack, m: int, rate: int) -> tuple[str, ...]:
    path = (*plan.close, *plan.rooms)[m]
    likeness = (_likeness(samples, attack.reference, m) for samples in (attack.recorded, attack.aligned))
    return attack.mics[m], _advance(path, rate), "yes" if path.gain < 0 else "no", *likeness


def _advance(path: MicPath, rate: int) -> str:
    return written(samples_to_ms(path.delay_samples, rate), 3)


def _likeness(samples: FloatArray, reference: int, m: int) -> str:
    """Correlation with the reference over what is shown, as it lies."""
    scale = float(np.linalg.norm(samples[reference]) * np.linalg.norm(samples[m]))
    return written(float(samples[reference] @ samples[m]) / scale, 2, sign=True) if scale > 0.0 else NOTHING


def _draw(attack: _Attack) -> Any:
    figure, axes = panels([1.6, 1.6, 1.1])
    for panel, samples, title in zip(
        axes, (attack.recorded, attack.aligned), ("as recorded", "aligned"), strict=False
    ):
        for mic, row, (ink, dash) in zip(attack.mics, samples, series(len(attack.mics)), strict=True):
            panel.plot(attack.times_ms, row, color=ink, linestyle=dash, label=mic)
        panel.set(title=title, ylim=(-1.08, 1.08))
        panel.set_ylabel("own peak = 1")
    legend(axes[0], len(attack.mics))
    top = max(1e-9, float(np.abs(attack.sum_aligned).max()), float(np.abs(attack.sum_recorded).max()))
    axes[2].plot(attack.times_ms, attack.sum_recorded / top, color=colour("recorded"), linestyle=(0.0, (4.0, 1.5)),
                 label="as recorded")
    axes[2].plot(attack.times_ms, attack.sum_aligned / top, color=colour("aligned"), label="aligned")
    axes[2].set(title="sum of the close mics", ylim=(-1.08, 1.08), xlim=(attack.times_ms[0], attack.times_ms[-1]))
    axes[2].set_ylabel("same scale")
    axes[2].set_xlabel("time from the attack in ms")
    legend(axes[2], 2)
    return figure
