"""The simulated cabinets: what they claim as truth is what their signals hold."""

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import correlate

from tests.rigs.cabinets import Rig, Via, random_cabinet
from tests.rigs.impostors import KINDS, Kind, spoiled
from tests.rigs.noises import drums, hum, rms

SHORT: dict[str, Any] = {"seconds": 4.0}


def likeness(a: npt.NDArray[np.float64], b: npt.NDArray[np.float64], most: int) -> float:
    """Largest magnitude of the correlation within `most` samples of lag."""
    product = correlate(a, b, "same", "fft")
    middle = len(product) // 2
    near = product[middle - most : middle + most + 1]
    return float(np.max(np.abs(near)) / (np.linalg.norm(a) * np.linalg.norm(b)))


CLEAN: dict[str, Any] = {"n_speakers": 1, "colour": "none", "noise_db": -200.0, "hum_db": -200.0, "bleed_db": None}


def lateness(signal: npt.NDArray[np.float64], reference: npt.NDArray[np.float64], rate: int) -> float:
    """Samples by which a signal is late, from the slope of the phase, 300 Hz to 5 kHz; under half a wave."""
    cross = np.fft.rfft(signal) * np.conj(np.fft.rfft(reference))
    freqs = np.fft.rfftfreq(len(signal))
    weight = np.abs(cross) * freqs * ((freqs * rate > 300.0) & (freqs * rate < 5000.0))
    return float(-np.sum(weight * np.angle(cross)) / np.sum(weight * freqs) / (2.0 * np.pi))


def advanced(signal: npt.NDArray[np.float64], samples: float) -> npt.NDArray[np.float64]:
    """The signal earlier by any part of a sample (circular)."""
    turn = np.exp(2j * np.pi * np.fft.rfftfreq(len(signal)) * samples)
    return np.fft.irfft(np.fft.rfft(signal) * turn, len(signal))


@pytest.mark.parametrize("via", ["direct", "pyroomacoustics"])
@pytest.mark.parametrize(("seed", "rate"), [(5, 44100), (9, 48000), (5, 96000)])
def test_mics_without_colour_are_pure_delays(via: Via, seed: int, rate: int) -> None:
    """One speaker, no colour, no noise: the phase against the reference is the truth.

    Within 1e-5 sample in the free field (the file's end cuts each mic elsewhere); within 0.3 in a room, whose
    reflections bend the phase of the direct sound.
    """
    rig = random_cabinet(seed, seconds=3.0, rate=rate, via=via, sub=False, **CLEAN)
    assert seed != 9 or max(mic.converter_s for mic in rig.mics) > 0.0003
    for index in range(1, len(rig.mics)):
        moved = advanced(rig.signals[index], rig.delays[index]) * rig.polarities[index]
        assert np.dot(moved, rig.signals[0]) > 0.5 * np.linalg.norm(moved) * np.linalg.norm(rig.signals[0])
        assert abs(lateness(moved, rig.signals[0], rate)) < (1e-5 if via == "direct" else 0.3)


def test_both_simulations_put_the_sound_at_the_same_time() -> None:
    """Free field and room agree on each mic to 0.3 sample (reflections): the simulator's own delay is out."""
    field, room = (random_cabinet(5, seconds=3.0, via=v, sub=False, **CLEAN) for v in ("direct", "pyroomacoustics"))
    assert abs(lateness(room.signals[0], field.signals[0], 48000)) < 0.3


def test_the_truth_is_against_the_reference() -> None:
    """Mic 0 has delay 0 and polarity 1, whatever its wiring; others follow from distance and converter."""
    for seed in range(8):
        rig = random_cabinet(seed, seconds=2.0)
        assert rig.delays[0] == 0.0 and rig.polarities[0] == 1
        assert np.all(np.abs(rig.delays) < 0.004 * rig.rate)
    assert {random_cabinet(seed, seconds=2.0).mics[0].polarity for seed in range(8)} == {-1, 1}


def test_a_seed_is_a_set_up_and_a_take_is_a_performance() -> None:
    """Same seed: same bits; another take: same truth, another sound; another seed: another set-up."""
    one, same, take, other = (
        random_cabinet(3, **SHORT),
        random_cabinet(3, **SHORT),
        random_cabinet(3, take=1, **SHORT),
        random_cabinet(4, **SHORT),
    )
    assert np.array_equal(one.signals, same.signals)
    assert np.array_equal(one.arrivals, take.arrivals) and one.mics == take.mics
    assert likeness(one.signals[0], take.signals[0], 960) < 0.3
    assert not np.array_equal(one.arrivals, other.arrivals)


def test_the_rig_has_the_mics_asked_for() -> None:
    """Names are unique; roles stand in the order close, sub, room."""
    rig = random_cabinet(1, n_close=7, sub=True, room=True, seconds=3.0)
    assert rig.roles == ("close",) * 7 + ("sub", "room")
    assert len(set(rig.names)) == 9
    assert rig.signals.shape == (9, 3 * rig.rate)
    assert random_cabinet(1, n_close=1, sub=False, seconds=3.0).roles == ("close",)
    assert {len(random_cabinet(seed, seconds=2.0).speakers_m) for seed in range(15)} == {1, 2, 3, 4}


def test_noise_hum_and_bleed_have_their_levels() -> None:
    """The difference to the clean rig has the level asked for, under the mic's guitar: within 0.2 dB."""
    quiet: dict[str, Any] = {"noise_db": -200.0, "hum_db": -200.0, "bleed_db": None}
    clean = random_cabinet(2, **SHORT, **quiet)
    for setting in ("noise_db", "hum_db", "bleed_db"):
        noisy = random_cabinet(2, **SHORT, **{**quiet, setting: -30.0})
        for a, b in zip(clean.signals, noisy.signals, strict=True):
            assert 20 * np.log10(rms(b - a) / rms(a)) == pytest.approx(-30.0, abs=0.2), setting


def test_hum_is_common_to_all_mics() -> None:
    """It comes through the wires, not the air: no delay, no polarity between mics."""
    quiet: dict[str, Any] = {"noise_db": -200.0, "hum_db": -200.0, "bleed_db": None}
    extra = (
        random_cabinet(2, **SHORT, **{**quiet, "hum_db": -20.0}).signals - random_cabinet(2, **SHORT, **quiet).signals
    )
    for channel in extra[1:]:
        assert np.dot(channel, extra[0]) / np.linalg.norm(channel) / np.linalg.norm(extra[0]) > 0.9999


def test_hum_sits_on_the_mains_harmonics() -> None:
    """All but 1 % of its power lies within 1 Hz of a multiple of 60 Hz."""
    x = hum(480000, 48000, np.random.default_rng(1), 60.0)
    power = np.abs(np.fft.rfft(x * np.hanning(len(x)))) ** 2
    freqs = np.fft.rfftfreq(len(x), 1 / 48000)
    near = np.abs(freqs - 60.0 * np.round(freqs / 60.0)) < 1.0
    assert rms(x) == pytest.approx(1.0) and power[near].sum() > 0.99 * power.sum()


def test_drums_keep_time() -> None:
    """Energy returns every eighth: the envelope's strongest period between 0.2 and 0.4 s is an eighth."""
    x = drums(480000, 48000, np.random.default_rng(1), 112.0)
    envelope = np.sqrt(np.mean(x.reshape(-1, 480) ** 2, axis=1))
    envelope -= envelope.mean()
    lags = correlate(envelope, envelope, "full")[len(envelope) :]
    assert (20 + np.argmax(lags[20:40]) + 1) / 100 == pytest.approx(30 / 112, abs=0.02)


def test_the_room_mic_is_far_and_reverberant() -> None:
    """2.4 to 3.8 m away; 50 ms after a burst it has not fallen by 30 dB, where the close mic has."""
    burst = np.random.default_rng(1).standard_normal(48000)
    burst[24000:] = 0.0
    rig = random_cabinet(6, room=True, noise_db=-90.0, hum_db=-90.0, bleed_db=None, source=burst)
    assert 2.4 < rig.arrivals[-1] / rig.rate * 343.2 < 3.9
    end = int(24000 + rig.arrivals[-1])
    before, after = rig.signals[[0, -1], end - 9600 : end - 480], rig.signals[[0, -1], end + 2400 : end + 4800]
    close, far = (20 * np.log10(rms(a) / rms(b)) for a, b in zip(after, before, strict=True))
    assert far > -30.0 > close


@pytest.mark.parametrize("kind", KINDS)
def test_an_impostor_shares_nothing_with_the_rig(kind: Kind) -> None:
    """One channel is replaced and looks like no other; the rest is untouched."""
    rig: Rig = random_cabinet(7, **SHORT)
    wrong = spoiled(7, 1, kind, **SHORT)
    assert np.array_equal(np.delete(wrong.signals, 1, axis=0), np.delete(rig.signals, 1, axis=0))
    assert likeness(rig.signals[1], rig.signals[0], 200) > 0.5
    if kind == "silence":
        assert not np.any(wrong.signals[1])
    else:
        assert likeness(wrong.signals[1], rig.signals[0], 200) < 0.3
