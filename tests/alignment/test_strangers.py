"""Tracks that are not what their names say: copies under two names, and names swapped between performances."""

from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from premix.alignment.decide import align
from premix.arrays import FloatArray
from tests.rigs.accuracy import cabinet_settings, shifted
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.songs import decide_rig, decisions_of, rig_song, told

QUICK: dict[str, Any] = {"rate": 48000, "seconds": 6.0, "n_close": 3, "colour": "mild", "noise_db": -60.0}


@pytest.fixture(scope="module")
def rig() -> Rig:
    return random_cabinet(41, **QUICK)


@pytest.fixture(scope="module")
def takes() -> list[Rig]:
    """Three performances of one set-up."""
    return [random_cabinet(42, take=take, **QUICK) for take in range(3)]


def equalised(signal: FloatArray) -> FloatArray:
    """Thinner below 80 Hz, brighter above 1.5 kHz (scipy), rounded to 24 bits."""
    thin = sosfilt(butter(2, 80.0, "highpass", fs=48000, output="sos"), signal)
    bright = 0.3 * thin + 1.5 * sosfilt(butter(2, 1500.0, "highpass", fs=48000, output="sos"), thin)
    return np.asarray(np.round(bright * 2**23) / 2**23)


@pytest.mark.parametrize("late_samples", [0.0, 37.4, -160.0, 380.0])
def test_an_equalised_delayed_copy_is_named(rig: Rig, late_samples: float) -> None:
    """Up to 8 ms either way, turned over, equalised: one warning that names both, and the size."""
    copy = -shifted(equalised(rig.signals[1]), late_samples)
    song = decide_rig(rig.with_channel(2, copy))
    (finding,) = told(song, "tracks-doubled")
    assert finding.subject == f"left_a/{rig.names[2]}"
    assert f"'{rig.names[1]}'" in finding.message
    assert "turned over" in finding.message


def test_a_plain_copy_is_called_one_recording(rig: Rig) -> None:
    """The same samples 6 dB down: nothing equalised about it."""
    song = decide_rig(rig.with_channel(2, 0.5 * rig.signals[1]))
    (finding,) = told(song, "tracks-doubled")
    assert "one recording under two names (" in finding.message
    assert decisions_of(song)[2].delay_samples == pytest.approx(decisions_of(song)[1].delay_samples, abs=0.05)


@pytest.mark.parametrize("noise_db", [-60.0, -75.0, -90.0])
@pytest.mark.parametrize("seed", range(300, 312))
def test_two_mics_are_never_taken_for_one(seed: int, noise_db: float) -> None:
    """Set-ups of all kinds with noise 60 to 90 dB under the guitar, colourless mics included: a close mic's own noise
    of 14 to 20 dB-A (common data sheets, from memory) lies about 90 dB under a loud cabinet at 110 dB."""
    settings = cabinet_settings(seed) | {"noise_db": noise_db, "hum_db": noise_db, "bleed_db": None}
    assert told(decide_rig(random_cabinet(seed, **settings)), "tracks-doubled") == []


def exchanged(rig: Rig, a: int, b: int) -> Rig:
    signals = rig.signals.copy()
    signals[[a, b]] = signals[[b, a]]
    return replace(rig, signals=signals)


@pytest.mark.parametrize(("a", "b"), list(combinations(range(4), 2)))
def test_every_two_names_that_were_swapped_in_one_performance_are_named(takes: list[Rig], a: int, b: int) -> None:
    """Three close mics and a sub mic, the reference among them: each of the six swaps, told once."""
    names = takes[0].names
    song = align(rig_song({f"take_{i}": exchanged(rig, a, b) if i == 1 else rig for i, rig in enumerate(takes)}))
    (finding,) = told(song, "tracks-swapped")
    assert finding.subject == f"take_1/{names[a]}"
    assert f"'{names[a]}' sounds as '{names[b]}'" in finding.message
    assert not {f.subject for f in told(song, "alignment-moved")} & {f"take_1/{names[a]}", f"take_1/{names[b]}"}


def test_a_swap_between_two_performances_is_told_of_the_second(takes: list[Rig]) -> None:
    """Nobody can know which of two is right: the message says what it was compared with."""
    song = align(rig_song({"left": takes[0], "right": exchanged(takes[1], 0, 2)}))
    (finding,) = told(song, "tracks-swapped")
    assert finding.subject == f"right/{takes[0].names[0]}"
    assert "in 'left'" in finding.message


def test_a_moved_or_inverted_mic_is_no_swap(takes: list[Rig]) -> None:
    """20 cm in one take, a polarity switch in another."""
    moved, turned = takes[1].signals.copy(), takes[2].signals.copy()
    moved[1] = shifted(moved[1], 28.0)
    turned[2] *= -1.0
    rigs = {"a": takes[0], "b": replace(takes[1], signals=moved), "c": replace(takes[2], signals=turned)}
    song = align(rig_song(rigs))
    assert told(song, "tracks-swapped") == []
    assert [f.subject for f in told(song, "alignment-moved")] == [f"b/{takes[0].names[1]}"]


@pytest.mark.parametrize("seed", range(320, 328))
def test_set_ups_of_all_kinds_are_no_swap(seed: int) -> None:
    """Two performances of one set-up, other notes."""
    rigs = {f"take_{t}": random_cabinet(seed, take=t, **(cabinet_settings(seed) | {"seconds": 6.0})) for t in (0, 1)}
    assert told(align(rig_song(rigs)), "tracks-swapped") == []
