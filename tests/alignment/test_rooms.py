"""Room mics: the first sound, not the loudest; each performance by itself, and together what agrees.

Truth by image sources (Allen & Berkley, JASA 65(4), 1979) in pyroomacoustics, code that is not ours: the direct path is
distance over the speed of sound, whatever arrives later.
"""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from premix.alignment.decide import align
from premix.alignment.outside_sum import onset_samples
from premix.arrays import ComplexArray, FloatArray
from premix.model.alignment import MicDecision
from premix.model.song import Song
from tests.rigs.accuracy import cabinet_settings, shifted
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.songs import decide_rig, decisions_of, rig_song, told

RATE = 48000


def hall(seed: int, **changes: Any) -> Rig:
    """A set-up with a room mic up to 7 m away between hard walls."""
    return random_cabinet(seed, **(cabinet_settings(seed) | {"rate": RATE} | changes), room=True, hall=True)


@pytest.mark.parametrize("seed", [7, 10, 12, 21, 42, 60, 76])
def test_the_arrival_is_the_direct_sound_though_reflections_are_louder(seed: int) -> None:
    """Set-ups in which the highest peak is a reflection, 5 to 23 ms late: within 0.5 ms of the direct path."""
    rig = hall(seed)
    decision = decisions_of(decide_rig(rig))[-1]
    assert decision.arrival_samples is not None
    assert (decision.arrival_samples - rig.delays[-1]) / RATE == pytest.approx(0.0, abs=0.0005)


def response_of(impulse: FloatArray, rate: int = RATE) -> tuple[ComplexArray, FloatArray]:
    """Spectrum of an impulse response with time zero in its middle, Hann-weighed from 60 Hz to 10 kHz; its bins. A mic
    that is late turns the phase as X conj(Y) does."""
    freqs_hz = np.fft.rfftfreq(len(impulse), 1.0 / rate)
    spectrum = np.fft.rfft(np.roll(impulse, -len(impulse) // 2))
    window = np.sin(np.pi * np.clip((freqs_hz - 60.0) / 9940.0, 0.0, 1.0)) ** 2
    return np.asarray(spectrum * window, np.complex128), np.asarray(freqs_hz, np.float64)


@pytest.mark.parametrize(("direct_db", "at"), [(-3.0, 400), (-9.0, 400), (-15.0, 784)])
def test_onset_is_the_first_place_within_12_db_of_the_highest(direct_db: float, at: int) -> None:
    """The rule of ISO 3382-1:2009 with 12 dB instead of 20: direct sound at 400 samples, a reflection 8 ms later."""
    impulse = np.zeros(16384)
    impulse[8192 + 400], impulse[8192 + 784] = -(10.0 ** (direct_db / 20.0)), 1.0
    response, freqs_hz = response_of(impulse)
    assert onset_samples(response, freqs_hz, RATE, 2000.0) == pytest.approx(at, abs=0.5)


def test_chance_before_the_direct_sound_is_not_taken_for_it() -> None:
    """Noise 14 dB under the peak, which passes the 12 dB here and there: the onset stays where the sound begins."""
    rng = np.random.default_rng(3)
    impulse = 0.028 * rng.standard_normal(16384)
    impulse[8192 + 400] = 1.0
    response, freqs_hz = response_of(impulse)
    assert onset_samples(response, freqs_hz, RATE, 2000.0) == pytest.approx(400.0, abs=1.0)


QUICK: dict[str, Any] = {"seconds": 6.0, "n_close": 2, "colour": "mild", "noise_db": -50.0, "room": True, "hall": True}


@pytest.fixture(scope="module")
def takes() -> list[Rig]:
    """Three performances of one set-up with a room mic."""
    return [random_cabinet(31, take=take, **QUICK) for take in range(3)]


def rooms_of(rigs: list[Rig], **alignment: Any) -> tuple[Song, dict[str, MicDecision]]:
    song = align(rig_song({f"take_{i}": rig for i, rig in enumerate(rigs)}, **alignment))
    return song, {d.performance: d for d in decisions_of(song) if d.mic == "room"}


def test_a_room_that_stays_is_pooled(takes: list[Rig]) -> None:
    """One arrival for all, to the last bit, and nothing is told."""
    song, rooms = rooms_of(takes)
    assert len({room.arrival_samples for room in rooms.values()}) == 1
    assert {room.moved_samples for room in rooms.values()} == {None}
    assert told(song, "alignment-moved") == []


def test_a_room_that_was_moved_is_named_and_judged_by_itself(takes: list[Rig]) -> None:
    """2 m further away in take 1: its own arrival, and the others' as if it had not been there."""
    late = 280.0
    signals = takes[1].signals.copy()
    signals[-1] = shifted(signals[-1], late)
    _, before = rooms_of([takes[0], takes[2]])
    song, rooms = rooms_of([takes[0], replace(takes[1], signals=signals), takes[2]])
    true = takes[0].delays[-1]
    assert rooms["take_1"].arrival_samples == pytest.approx(true + late, abs=24.0)
    assert rooms["take_0"].arrival_samples == rooms["take_2"].arrival_samples
    assert rooms["take_0"].arrival_samples == pytest.approx(before["take_0"].arrival_samples, abs=0.01)
    assert rooms["take_1"].moved_samples == pytest.approx(late, abs=24.0)
    (finding,) = told(song, "alignment-moved")
    assert finding.subject == "take_1/room"


def test_a_room_inverted_in_one_performance_stays_pooled(takes: list[Rig]) -> None:
    """A switch does not move it: one arrival, one polarity turned."""
    signals = takes[1].signals.copy()
    signals[-1] *= -1.0
    _, plain = rooms_of(takes)
    _, rooms = rooms_of([takes[0], replace(takes[1], signals=signals), takes[2]])
    for name, room in rooms.items():
        assert room.arrival_samples == pytest.approx(plain[name].arrival_samples, abs=0.01)
        assert room.polarity == plain[name].polarity * (-1 if name == "take_1" else 1)
