"""Injected faults and the measure of their loss: what they claim as truth is what their signals hold."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import correlate

from tests.rigs.changing_sessions import Session, loss_of
from tests.rigs.faults import KINDS, Kind, drifted, inject, shifted
from tests.rigs.noises import rms
from tests.rigs.set_ups import RATE, SetUp, best_alignment, perform, set_up, source

FloatArray = npt.NDArray[np.float64]
SECONDS = 12.0


@pytest.fixture(scope="module")
def setup() -> SetUp:
    return set_up(4)


@pytest.fixture(scope="module")
def clean(setup: SetUp) -> FloatArray:
    """A performance of three close mics and a sub mic, (M, n)."""
    guitar, noise = perform(setup, SECONDS, np.random.default_rng(1))
    whole: FloatArray = (guitar + noise)[: setup.closes]
    return whole


def lag(late: FloatArray, early: FloatArray) -> int:
    """Samples by which one signal is later, by plain correlation."""
    return int(np.argmax(correlate(late, early, "full"))) - len(early) + 1


def test_a_shift_is_exact() -> None:
    """A band-limited sound moved by 7.3 samples and back is the same; whole samples are a plain move."""
    sound = shifted(np.pad(np.random.default_rng(2).standard_normal(4000), 8000), 0.0)
    np.testing.assert_allclose(shifted(sound, 5.0)[5:], sound[:-5], atol=1e-9)
    low = np.convolve(sound, np.hanning(64) / 32.0, "same")
    np.testing.assert_allclose(shifted(shifted(low, 7.3), -7.3), low, atol=1e-6)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("seed", range(3))
def test_only_one_mic_is_changed(clean: FloatArray, kind: Kind, seed: int) -> None:
    """All others keep every sample (a swap has two); the mics in step are the clean ones, but for what is not there."""
    done = inject(kind, clean, RATE, np.random.default_rng(seed))
    changed = {m for m in range(len(clean)) if not np.array_equal(done.signals[m], clean[m])}
    wanted = {done.fault.mic} | ({done.fault.other} if kind == "swapped" else set())
    assert changed == wanted
    if kind in ("jump", "turned", "drift", "late", "moment", "slipped", "foreign"):
        np.testing.assert_array_equal(done.in_step, clean)
    assert 0.0 <= done.fault.from_s < done.fault.to_s <= SECONDS
    assert done.fault.words(tuple("abcd"), RATE)


@pytest.mark.parametrize("seed", range(4))
def test_a_jump_and_lateness_have_their_size(clean: FloatArray, seed: int) -> None:
    """By plain correlation of the part from the place on, to a sample; before it nothing moved."""
    for kind in ("jump", "late"):
        done = inject(kind, clean, RATE, np.random.default_rng(seed), late_ms=(5.0, 30.0))
        fault, at = done.fault, round(done.fault.from_s * RATE)
        before, after = clean[fault.mic], done.signals[fault.mic]
        np.testing.assert_array_equal(after[: max(0, at - 240)], before[: max(0, at - 240)])
        low, high = (at + 2000, at + 2000 + 2 * RATE) if at + 2 * RATE < len(before) else (at + 500, len(before))
        assert abs(lag(after[low:high], before[low:high]) - fault.size) <= 1.0
        assert 9.6 <= abs(fault.size) <= 480.0 or kind == "late"


@pytest.mark.parametrize("ppm", [-80.0, 50.0])
def test_a_drift_has_its_size(clean: FloatArray, ppm: float) -> None:
    """T seconds after its start a mic is ppm 1e-6 T rate samples late: by correlation of half a second there."""
    after = drifted(clean[0], RATE, ppm, 2 * RATE)
    np.testing.assert_array_equal(after[: 2 * RATE], clean[0][: 2 * RATE])
    for second in (4.0, 8.0, 10.5):
        part = slice(round((second - 0.5) * RATE), round((second + 0.5) * RATE))
        assert lag(after[part], clean[0][part]) == pytest.approx(ppm * 1e-6 * (second - 2.0) * RATE, abs=1.0)


def test_silences_are_where_they_are_said(clean: FloatArray) -> None:
    """In a dropout only hiss is left, 66 dB under the guitar; a late entry and a fade are so long and so deep."""
    for seed in range(3):
        drop = inject("dropout", clean, RATE, np.random.default_rng(seed))
        part = slice(round((drop.fault.from_s + 0.1) * RATE), round((drop.fault.to_s - 0.1) * RATE))
        mic = drop.fault.mic
        assert 20 * np.log10(rms(drop.signals[mic][part]) / rms(clean[mic])) == pytest.approx(-66.0, abs=1.0)
        fade = inject("faded", clean, RATE, np.random.default_rng(seed))
        part = slice(round((fade.fault.from_s + 0.1) * RATE), None)
        fell = 20 * np.log10(rms(fade.signals[fade.fault.mic][part]) / rms(clean[fade.fault.mic][part]))
        assert fell == pytest.approx(fade.fault.size, abs=0.5)


def test_the_best_alignment_of_pure_delays_is_these_delays() -> None:
    """Responses that are one sound, late by whole numbers and fractions, turned: found to 0.02 sample."""
    played = source(1)[: 4 * RATE]
    delays, signs = np.array([0.0, 33.25, -71.6, 120.0]), np.array([1.0, -1.0, 1.0, -1.0])
    pulse = np.zeros(8192)
    pulse[1000] = 1.0
    responses = np.array([s * g * shifted(pulse, d) for d, s, g in zip(delays, signs, (1, 0.4, 2, 0.7), strict=True)])
    found, turned = best_alignment(responses, played, np.zeros(4, np.bool_))
    np.testing.assert_allclose(found, delays, atol=0.02)
    np.testing.assert_array_equal(turned, signs)


def test_the_loss_is_that_of_the_worst_two_seconds(setup: SetUp, clean: FloatArray) -> None:
    """The best sum loses nothing; a mic turned for 3 s loses there, in dB as its band powers say; all mics 1 dB softer
    lose 1 dB everywhere."""
    made = Session(setup, {"left_a": clean}, {"left_a": (clean, setup.delays, setup.signs)})
    parts = [s * shifted(one, -d) for one, d, s in zip(clean, setup.delays, setup.signs, strict=True)]
    best = np.sum(parts, axis=0)
    names = setup.names[: setup.closes]
    same = loss_of(best, made, "left_a", names)
    assert abs(same.mean_db) < 0.005 and abs(same.worst_db) < 0.02
    softer = loss_of(best * 10 ** (-1 / 20), made, "left_a", names)
    assert softer.mean_db == pytest.approx(1.0, abs=0.005) and softer.worst_db == pytest.approx(1.0, abs=0.02)
    turned = best.copy()
    part = slice(5 * RATE, 8 * RATE)
    turned[part] -= 2.0 * parts[0][part]
    spoiled = loss_of(turned, made, "left_a", names)
    assert 5.0 < spoiled.worst_s < 8.0
    assert spoiled.worst_db > 2.0 > spoiled.mean_db > 0.1
    alone = loss_of(parts[1], replace(made), "left_a", names[1:2])
    assert abs(alone.mean_db) < 0.005
