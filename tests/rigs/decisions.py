"""Alignment decisions straight from arrays: the whole stage, without files."""

import numpy as np

from premix.alignment.decide import align
from premix.model.analysis import Analysis, TrackLevels
from premix.model.recipe import AlignmentSettings, Mic, Performance, Recipe
from tests.rigs.spectra import spectra_of_arrays


def recipe_for(names, roles, performances=("left_a",), mic_changes=None, **alignment):
    """A recipe with these mics at 0 dB, all performances on the left bus; refused mics are muted, not fatal."""
    changes = mic_changes or {}
    mics = {n: Mic(role=r, **changes.get(n, {})) for n, r in zip(names, roles, strict=True)}
    settings = AlignmentSettings(**{"refused": "mute", **alignment})
    return Recipe(
        format=1, mics=mics, performances={p: Performance(bus="left") for p in performances}, alignment=settings
    )


def analysis_of(takes, rate, names, roles):
    """The analysis of `takes`: performance name -> signals (M, n)."""
    close = sum(role != "room" for role in roles)
    spectra, levels = [], []
    for performance, signals in takes.items():
        spectra.append(spectra_of_arrays(signals, rate, names, close, performance))
        for name, signal in zip(names, signals, strict=True):
            peak = float(np.abs(signal).max())
            levels.append(TrackLevels(performance, name, len(signal), peak, peak, 0.0, 0, (), (), ""))
    frames = max(s.shape[1] for s in takes.values())
    return Analysis(rate, frames, tuple(spectra), (), tuple(levels))


def decide_rig(rig, performance="left_a", mic_changes=None, **alignment):
    """Alignment of one rig (tests.rigs.cabinets.Rig)."""
    names, roles = [m.name for m in rig.mics], [m.role for m in rig.mics]
    recipe = recipe_for(names, roles, (performance,), mic_changes, **alignment)
    return align(recipe, analysis_of({performance: rig.signals}, rig.rate, names, roles))
