"""How the left side differs from the right, band by band: two guitars that sound alike lean nowhere.

The sides are the stems that go to buses panned left and right, at their gains on the way there. Their performances are
others, so powers add. Bands are third octaves from 80 Hz to 4 kHz (IEC 61260-1).
"""

from collections.abc import Sequence

import numpy as np

from premix.arrays import FloatArray
from premix.audio.bands import band_slices, third_octave_bands
from premix.model.mix import Lean, MixPlan

BANDS = third_octave_bands(80.0, 4000.0)
LEAST_DB = 50.0
"""A band so far under the loudest of both sides holds nothing."""


def side_gains(plan: MixPlan, performances: Sequence[str]) -> tuple[FloatArray, FloatArray]:
    """(S) linear gains of the performances' stems in the left and in the right channel; 0 of those in the middle, on
    several buses, or not heard."""
    buses = {bus.name: bus for bus in plan.buses}
    left, right = np.zeros(len(performances)), np.zeros(len(performances))
    for own in plan.performances:
        places = {stem.bus for stem in own.stems}
        if own.performance not in performances or len(places) != 1:
            continue
        bus = buses.get(next(iter(places)))
        if bus is not None and bus.pan != 0.0:
            side = left if bus.pan < 0.0 else right
            side[performances.index(own.performance)] = bus.gain * max(bus.left, bus.right)
    return left, right


def lean_of(freqs_hz: FloatArray, powers: FloatArray, left: FloatArray, right: FloatArray) -> Lean | None:
    """powers: (S, F) of the stems at freqs_hz; left, right: (S) their gains on each side. None: a side is empty."""
    if not (left.any() and right.any()):
        return None
    sides = np.stack([(gains[:, None] ** 2 * powers).sum(axis=0) for gains in (left, right)])
    bands = np.stack([sides[:, part].sum(axis=1) for part in band_slices(freqs_hz, BANDS)], axis=1)
    heard = bands.min(axis=0) > bands.max() * 10.0 ** (-LEAST_DB / 10.0)
    if not heard.any() or bands.max() <= 0.0:
        return None
    lean_db = 10.0 * np.log10(np.where(heard, bands[0], 1.0) / np.where(heard, bands[1], 1.0))
    worst = int(np.argmax(np.abs(lean_db)))
    whole_db = 10.0 * float(np.log10(bands[0].sum() / bands[1].sum()))
    return Lean(
        rms_db=float(np.sqrt((lean_db[heard] ** 2).mean())),
        worst_hz=BANDS[worst].centre_hz,
        worst_db=float(lean_db[worst]),
        heavier="even" if abs(whole_db) < EVEN_DB else "left" if whole_db > 0.0 else "right",
        whole_db=whole_db,
        centres_hz=tuple(band.centre_hz for band in BANDS),
        bands_db=tuple(float(db) if there else None for db, there in zip(lean_db, heard, strict=True)),
    )


EVEN_DB = 0.1
"""Sides so alike in level are called even; a step of level that is just heard is near 1 dB (common practice, no
source)."""
