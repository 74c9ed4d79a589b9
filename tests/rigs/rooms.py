"""A shoebox around a miked cabinet, by pyroomacoustics (image sources, independent code)."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pyroomacoustics

from premix.units import speed_of_sound_m_s

FloatArray = npt.NDArray[np.float64]
Point = tuple[float, float, float]

CORNER_M = (0.9, 1.9, 0.5)
"""Where the cabinet's first speaker stands in the room."""
FILTER_DELAY = 40
"""Samples by which pyroomacoustics' interpolation filters delay every response."""
LENGTH_S = 0.45


def image_responses(
    mics_m: Sequence[Point], speakers_m: Sequence[Point], rate: int, rng: np.random.Generator, *, hall: bool = False
) -> list[FloatArray]:
    """Responses (frames) from all speakers together to each mic; the direct sound is at distance / c.

    hall: a room half as large again with harder walls, in which reflections are stronger than the direct sound.
    """
    if hall:
        size = (rng.uniform(8.5, 11.0), rng.uniform(5.0, 8.0), rng.uniform(2.6, 4.5))
        walls = pyroomacoustics.Material(float(rng.uniform(0.12, 0.40)))
    else:
        size = (rng.uniform(5.5, 7.5), rng.uniform(4.4, 5.6), rng.uniform(2.6, 3.4))
        walls = pyroomacoustics.Material(float(rng.uniform(0.35, 0.55)))
    before = pyroomacoustics.constants.get("rir_hpf_enable")
    pyroomacoustics.constants.set("rir_hpf_enable", False)
    try:
        box = pyroomacoustics.ShoeBox(size, fs=rate, materials=walls, max_order=10, air_absorption=False)
        box.set_sound_speed(speed_of_sound_m_s())
        for place in speakers_m:
            box.add_source(list(np.add(CORNER_M, place)))
        box.add_microphone_array(np.array([np.add(CORNER_M, place) for place in mics_m]).T)
        box.compute_rir()
    finally:
        pyroomacoustics.constants.set("rir_hpf_enable", before)
    length = round(LENGTH_S * rate)
    together = []
    for responses in box.rir:
        total = np.zeros(length)
        for one in responses:
            part = np.asarray(one, np.float64)[FILTER_DELAY : FILTER_DELAY + length]
            total[: len(part)] += part
        together.append(total)
    return together
