"""A source and four mics in a room of known size, simulated by pyroomacoustics (image sources, independent code)."""

from pathlib import Path

import numpy as np
import pyroomacoustics
import pytest
from scipy.signal import oaconvolve

from premix.arrays import FloatArray
from premix.pipeline import render
from tests.rigs.sessions import decided, manifest_of, riff, write_song

RATE = 48000
FRAMES = 4 * RATE
MICS = {"dynamic": (0.05, 1), "condenser": (0.173, -1), "ribbon": (0.291, 1), "far_ribbon": (0.407, -1)}
"""Distance from the source in metres, and how the mic is wired."""
RECIPE = """\
format: 1
mics: {dynamic: {}, condenser: {}, ribbon: {}, far_ribbon: {}}
performances: {left: {bus: left}}
"""
SPEED_M_S = 343.2
"""Of sound at 20 degrees Celsius, which the recipe takes for granted (ISO 9613-1:1993)."""
FILTER_DELAY = 40
"""Half the length of pyroomacoustics' interpolation filters: the same in every response, so it drops out."""


Found = tuple[Path, dict[str, float], int]
"""OUT, the true delays, the order of the reflections."""


def hear(max_order: int) -> dict[str, tuple[FloatArray, float]]:
    """What each mic hears of one riff, with its wiring: shape (frames) by mic."""
    box = pyroomacoustics.ShoeBox(
        (6.3, 5.1, 2.9), fs=RATE, materials=pyroomacoustics.Material(0.5), max_order=max_order, air_absorption=False
    )
    box.set_sound_speed(SPEED_M_S)
    source = np.array([2.4, 2.2, 1.1])
    box.add_source(source.tolist())
    # Each in a direction of its own, so that no two reflections meet at one time.
    ways = np.array([[1.0, 0.0, 0.0], [0.8, 0.6, 0.0], [0.6, -0.48, 0.64], [0.28, 0.96, 0.0]])
    places = [source + distance * way for (distance, _), way in zip(MICS.values(), ways, strict=True)]
    box.add_microphone_array(np.array(places).T)
    box.compute_rir()
    heard = {}
    for (mic, (distance, polarity)), responses in zip(MICS.items(), box.rir, strict=True):
        signal = oaconvolve(riff(7, FRAMES), np.asarray(responses[0], np.float64))[FILTER_DELAY:][:FRAMES]
        heard[mic] = polarity * 0.3 * signal / np.max(np.abs(signal)), distance
    return heard


@pytest.fixture(scope="module", params=[0, 3], ids=["free field", "room"])
def found(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Found:
    """Decisions of a whole render, with the true delays; in free field and with reflections up to the third order."""
    before = pyroomacoustics.constants.get("rir_hpf_enable")
    pyroomacoustics.constants.set("rir_hpf_enable", False)  # a high-pass of its own would turn the phase
    try:
        heard = hear(request.param)
    finally:
        pyroomacoustics.constants.set("rir_hpf_enable", before)
    song = write_song(
        tmp_path_factory.mktemp("room"), RECIPE, {f"left_{mic}": signal for mic, (signal, _) in heard.items()}
    )
    render(song.recipe, song.tracks, song.out())
    metres = {mic: distance - heard["dynamic"][1] for mic, (_, distance) in heard.items()}
    return song.out(), {mic: m * RATE / SPEED_M_S for mic, m in metres.items()}, request.param


def test_polarity_is_that_of_the_wiring(found: Found) -> None:
    """Two of the four mics are wired upside down."""
    out, _, _ = found
    polarities = {mic: d["polarity"] for (_, mic), d in decided(out).items()}
    assert polarities == {mic: polarity for mic, (_, polarity) in MICS.items()}


def test_delay_is_distance_over_the_speed_of_sound(found: Found) -> None:
    """Within 0.1 sample (0.7 mm) of distance x rate / c, for mics without colour.

    With reflections, the mics do not hear the same sound any more: within 1 sample.
    """
    out, true, order = found
    for (_, mic), decision in decided(out).items():
        assert decision["delay_samples"] == pytest.approx(true[mic], abs=1.0 if order else 0.1), mic


def test_distance_is_told_in_centimetres(found: Found) -> None:
    """The manifest's distance is the true one, against the reference, to a millimetre in free field."""
    out, _, order = found
    for (_, mic), decision in decided(out).items():
        metres = MICS[mic][0] - MICS["dynamic"][0]
        assert decision["distance_cm"] == pytest.approx(100.0 * metres, abs=0.8 if order else 0.1)


def test_sum_comes_near_the_limit(found: Found) -> None:
    """Pure delays can be undone: 0 dB in free field, less what reflections leave in a room."""
    out, _, order = found
    (entry,) = manifest_of(out)["sum_efficiency_db"]
    assert entry["before"] < -3.0
    assert entry["after"] > (-1.0 if order else -0.01)
