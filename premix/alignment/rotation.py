"""`rotate: auto`: at most one all-pass a mic, where delay and polarity cannot reach.

Speakers heard from different places, proximity boost and a sub mic's band-pass turn the phase differently at
different frequencies. One first- or second-order all-pass, found by trying a grid of corners and widths with the
delay solved anew for each, brings back most of what is left. (Bargum, Serafin, Erkut & Parker, DAFx-23, align
parallel paths with all-passes too; theirs are learned, these are searched.)
"""

from collections.abc import Sequence
from itertools import product

import numpy as np

from premix.alignment.lag import Peak, find_peaks, score
from premix.alignment.solver import State, Variable
from premix.arrays import ComplexArray, FloatArray
from premix.audio.filters import mic_sections, sections_response
from premix.model.alignment import AllPass

MIN_GAIN_DB = 0.1
MAX_GROUP_DELAY_MS = 0.5
"""Variation of group delay above 500 Hz: half of the lowest threshold of Blauert & Laws, JASA 63(5), 1978."""
CORNERS_HZ = tuple(float(f) for f in np.geomspace(50.0, 5000.0, 21))
WIDTHS = (0.3, 0.5, 0.7071, 1.0)
SWEEPS = 2


def find_rotations(state: State, variables: Sequence[Variable]) -> tuple[State, dict[Variable, AllPass]]:
    """The state with every all-pass that gains at least 0.1 dB of sum efficiency over all performances."""
    state = state.copy()
    shapes = [AllPass(1, corner) for corner in CORNERS_HZ]
    shapes += [AllPass(2, corner, q) for corner, q in product(CORNERS_HZ, WIDTHS)]
    responses = [(shape, rotation_response(shape, state.freqs_hz, state.rate)) for shape in shapes]
    candidates = [(shape, response) for shape, response in responses if _harmless(response, state.freqs_hz)]
    chosen: dict[Variable, AllPass] = {}
    for _ in range(SWEEPS):
        before = len(chosen)
        for variable in variables:
            if variable.delay_samples is not None or variable in chosen:
                continue
            found = _best(state, variable, candidates)
            if found is not None:
                chosen[variable], response, peak = found
                state.rotate(variable, response)
                state.put(variable, peak.delay_samples, peak.polarity)
        if len(chosen) == before:
            break
    return state, chosen


def _best(
    state: State, variable: Variable, candidates: Sequence[tuple[AllPass, ComplexArray]]
) -> tuple[AllPass, ComplexArray, Peak] | None:
    """The all-pass that gains most for one variable, all others held; None when none gains enough."""
    cross = state.cross(variable)
    delay, sign = state.get(variable)
    now = sign * score(cross, state.omega, delay)
    best: tuple[AllPass, ComplexArray, Peak] | None = None
    for rotation, response in candidates:
        peaks = find_peaks(cross * response, state.freqs_hz, state.rate, variable.search_samples, 1)
        peak = next((p for p in peaks if variable.allows(p)), None)
        if peak is not None and (best is None or peak.height > best[2].height):
            best = rotation, response, peak
    if best is None:
        return None
    total = state.total()
    gain_db = 10.0 * np.log10((total + 2.0 * (best[2].height - now)) / total)
    return best if gain_db >= MIN_GAIN_DB else None


def rotation_response(rotation: AllPass, freqs_hz: FloatArray, rate: int) -> ComplexArray:
    """(F) response of one all-pass: magnitude 1."""
    return sections_response(mic_sections(rate, rotation=rotation), freqs_hz, rate)


def _harmless(response: ComplexArray, freqs_hz: FloatArray) -> bool:
    """Whether the group delay above 500 Hz varies by less than the limit."""
    upper = freqs_hz >= 500.0
    delay_s = -np.diff(np.unwrap(np.angle(response[upper]))) / (2.0 * np.pi * np.diff(freqs_hz[upper]))
    return float(np.ptp(delay_s)) * 1000.0 < MAX_GROUP_DELAY_MS
