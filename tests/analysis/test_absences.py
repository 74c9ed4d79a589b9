"""Which of two mics is gone, by their levels alone: (N, 2) dB, made by hand."""

import numpy as np
import pytest

from premix.analysis.absences import absences
from premix.arrays import FloatArray

HOP_S = 0.17
PAIR = (False, False)
FLOORS_DB = (-75.0, -80.0)


def riff(seconds: float = 40.0, seed: int = 1, stop_s: tuple[float, float] = (0.2, 0.9)) -> FloatArray:
    """Two mics 4 dB apart: notes of 0.2 to 1.5 s, a quarter of them with a stop behind, down to each one's noise."""
    rng = np.random.default_rng(seed)
    own: list[FloatArray] = []
    while len(own) < seconds / HOP_S:
        start = rng.uniform(-22.0, -16.0)
        for frame in range(max(1, round(rng.uniform(0.2, 1.5) / HOP_S))):
            own.append(start - 0.8 * frame + np.array([0.0, -4.0]) + rng.normal(0.0, 0.7, 2))
        if rng.random() < 0.25:
            own += [np.array(FLOORS_DB) + rng.normal(0.0, 0.1, 2)] * round(rng.uniform(*stop_s) / HOP_S)
    return np.array(own)


def span(own: FloatArray, from_s: float, to_s: float) -> slice:
    return slice(round(from_s / HOP_S), min(len(own), round(to_s / HOP_S)))


def together(own: FloatArray, db: FloatArray | float, m: int) -> FloatArray:
    """The levels with a noise of `db` in mic m, on top of what it hears."""
    noisy = own.copy()
    noisy[:, m] = 10.0 * np.log10(10.0 ** (own[:, m] / 10.0) + 10.0 ** (np.asarray(db) / 10.0))
    return noisy


@pytest.mark.parametrize("m", [0, 1])
@pytest.mark.parametrize(("from_s", "to_s"), [(0.0, 28.0), (10.0, 14.0), (10.0, 12.0), (25.0, 40.0)])
@pytest.mark.parametrize("silence_db", [-120.0, FLOORS_DB[0]])
def test_the_riff_goes_on_where_one_of_two_mics_is_gone(m: int, from_s: float, to_s: float, silence_db: float) -> None:
    """As loud as with both, to 4 dB: 1 dB the notes' own, and what moves a mean over few. What is outside stays."""
    for seed in range(5):
        whole = riff(seed=seed)
        own, gone = whole.copy(), span(whole, from_s, to_s)
        own[gone, m] = silence_db
        found = absences(own, PAIR, HOP_S)
        assert found is not None
        inside = np.zeros(len(own), np.bool_)
        inside[gone] = True
        assert not found.left_out[~inside].any()
        played = inside & (whole.mean(axis=1) > -35.0)
        # A stop at its edge may be longer than what is played behind it.
        assert found.left_out[played].mean() > 0.9
        error_db = found.levels_db - whole.mean(axis=1)
        assert np.abs(error_db[played & found.left_out]).max() < 4.0
        np.testing.assert_array_equal(found.levels_db[~found.left_out], own[~found.left_out].mean(axis=1))


@pytest.mark.parametrize("seed", range(5))
def test_two_mics_that_are_always_there_are_left_as_they_are(seed: int) -> None:
    """Stops of up to 6 s included."""
    assert absences(riff(seed=seed), PAIR, HOP_S) is None
    assert absences(riff(seed=seed, stop_s=(2.0, 6.0)), PAIR, HOP_S) is None


@pytest.mark.parametrize("hum_db", [-14.0, -20.0, -30.0])
@pytest.mark.parametrize("stop_s", [(0.2, 0.9), (2.0, 6.0)])
@pytest.mark.parametrize("intro_s", [0.0, 15.0])
@pytest.mark.parametrize("spread_db", [0.1, 0.3])
def test_a_hum_in_one_of_two_mics_plays_no_riff(
    hum_db: float, stop_s: tuple[float, float], intro_s: float, spread_db: float
) -> None:
    """Louder than the riff or softer, in its stops and before it: nothing is put right, for the mean has it right."""
    for seed in range(5):
        own = riff(seed=seed, stop_s=stop_s)
        own[span(own, 0.0, intro_s)] = FLOORS_DB
        noise = hum_db + np.random.default_rng(seed).normal(0.0, spread_db, len(own))
        assert absences(together(own, noise, seed % 2), PAIR, HOP_S) is None


def test_drums_that_are_as_loud_as_the_riff_in_one_mic_play_no_riff() -> None:
    """They go on in the stops of the other mic."""
    for seed in range(5):
        drums = -18.0 + np.random.default_rng(seed).normal(0.0, 2.0, 1000)
        own = riff(seed=seed)
        assert absences(together(own, drums[: len(own)], 0), PAIR, HOP_S) is None


@pytest.mark.parametrize("dead_db", [-120.0, -80.0])
def test_a_dead_mic_says_nothing_of_the_other(dead_db: float) -> None:
    """Digital silence, and a preamplifier's noise with a crackle in it."""
    own = riff(stop_s=(2.0, 6.0))
    own[:, 0] = dead_db + (np.random.default_rng(3).normal(0.0, 0.5, len(own)) if dead_db > -100.0 else 0.0)
    assert absences(own, PAIR, HOP_S) is None


def test_a_tail_behind_a_closed_gate_is_no_absence() -> None:
    """The other mic is gated: in every stop the guitar is heard 0.5 s longer in this one."""
    own = riff(stop_s=(0.9, 2.0))
    stops = np.flatnonzero((own[1:, 1] < -60.0) & (own[:-1, 1] > -60.0)) + 1
    for stop in stops:
        own[stop : stop + 3, 0] = -24.0, -27.0, -29.0
    own[own[:, 1] < -60.0, 1] = -120.0
    assert absences(own, PAIR, HOP_S) is None


def test_a_mic_that_is_hardly_ever_there_leaves_the_song_to_the_other() -> None:
    """4 s of 80: the riff is known everywhere, and all of it is kept, as what the two share is too little."""
    whole = riff(80.0)
    own, gone = whole.copy(), span(whole, 0.0, 76.0)
    own[gone, 1] = -120.0
    found = absences(own, PAIR, HOP_S)
    assert found is not None
    assert not found.left_out.any()
    played = whole.mean(axis=1) > -35.0
    assert np.abs(found.levels_db - whole.mean(axis=1))[played].max() < 5.0


def test_a_sub_mic_beside_two_others_does_not_stand_in_for_one() -> None:
    """It hears 30 dB less of what tells a riff. Three others have a majority, one alone nobody beside it."""
    whole = riff()
    own, gone = np.column_stack([whole, whole[:, 0] - 30.0]), span(whole, 10.0, 20.0)
    own[gone, 1] = -120.0
    found = absences(own, (False, False, True), HOP_S)
    assert found is not None
    played = found.left_out & (whole.mean(axis=1) > -35.0)
    assert np.abs(found.levels_db - np.median(np.column_stack([whole, whole[:, 0] - 30.0]), axis=1))[played].max() < 4.0
    assert absences(own, (False, False, False), HOP_S) is None
    assert absences(own, (False, True, True), HOP_S) is None
    assert absences(own[:, :1], (False,), HOP_S) is None
