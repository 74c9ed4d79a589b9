"""What single windows at a song's ends, and slow wanderings of a sub mic, are taken for. Trails by hand."""

from dataclasses import replace

import numpy as np
import pytest

from premix.alignment.changes import MIN_DRIFT_TIMES, level_parts, parts_of, sounding
from premix.alignment.stretches import Stretch
from premix.alignment.trails import MIN_CHANGE_S, Trails
from premix.arrays import FloatArray
from premix.model.settings import Role

RATE = 48000
COUNT = 20
LENGTH_S = 1.37


def trails(delays: FloatArray, levels_db: FloatArray) -> Trails:
    """One mic: where it is, (S) samples, and how loud, (S) dB."""
    shape = (COUNT, 1)
    rng = np.random.default_rng(1)
    stretches = tuple(Stretch((s,), LENGTH_S * s, LENGTH_S * (s + 1), 4, LENGTH_S) for s in range(COUNT))
    return Trails(
        stretches=stretches,
        delays=(delays + 1e-3 * rng.standard_normal(COUNT)).reshape(shape),
        signs=np.ones(shape, np.int64),
        fits=np.ones(shape),
        spreads=np.full(shape, 0.01),
        levels_db=(levels_db + 0.05 * rng.standard_normal(COUNT)).reshape(shape),
        alive=np.ones(shape, np.bool_),
        certain=np.ones(COUNT, np.bool_),
        efficiencies_db=np.zeros(COUNT),
        reached=np.ones(shape),
        without_db=np.zeros(shape),
        means=np.ones((1, 1), np.complex128),
        responses=np.ones((1, 1), np.complex128),
        freqs_hz=np.ones(1),
    )


def step(first: int, stop: int, size: float) -> FloatArray:
    found = np.zeros(COUNT)
    found[first:stop] = size
    return found


@pytest.mark.parametrize(
    ("first", "stop", "db"),
    [
        (0, 1, 30.0),
        (0, 1, -20.0),
        (COUNT - 1, COUNT, 30.0),
        (COUNT - 1, COUNT, -20.0),
        (0, 2, 30.0),
        (COUNT - 2, COUNT, 30.0),
    ],
)
def test_a_window_at_an_end_or_two_that_are_louder_have_no_level_of_their_own(first: int, stop: int, db: float) -> None:
    (part,) = level_parts(trails(np.zeros(COUNT), step(first, stop, db)), 0, "sub")
    assert (part.first, part.stop) == (0, COUNT)
    assert part.db == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize(("first", "stop"), [(0, 4), (COUNT - 4, COUNT), (COUNT - 2, COUNT), (8, 10)])
def test_what_holds_longer_or_lies_inside_has(first: int, stop: int) -> None:
    parts = level_parts(trails(np.zeros(COUNT), step(first, stop, -20.0)), 0, "close")
    assert len(parts) == (2 if 0 in (first, COUNT - stop) else 3)
    assert min(part.db for part in parts) == pytest.approx(-20.0, abs=0.2)


@pytest.mark.parametrize(("role", "parts"), [("room", 1), ("close", 2)])
def test_a_room_astray_in_the_first_window_did_not_jump(role: Role, parts: int) -> None:
    """A close mic that does was punched in there, and spoils the sum."""
    assert len(parts_of(trails(step(0, 1, 2_050.0), np.zeros(COUNT)), 0, role, RATE)) == parts


@pytest.mark.parametrize(("role", "least_us"), [("close", 5.0), ("sub", 70.0)])
def test_a_drift_goes_as_far_as_its_role_asks(role: Role, least_us: float) -> None:
    least = 1e-6 * least_us * RATE
    for share, drifts in ((0.9, False), (1.3, True)):
        (part,) = parts_of(trails(np.linspace(0.0, share * least, COUNT), np.zeros(COUNT)), 0, role, RATE)
        assert bool(part.slope) is drifts


def test_what_is_let_pass_at_a_sub_mic_costs_nothing() -> None:
    """70 us at 150 Hz are under 4 degrees: two equal signals that far apart lose under 0.01 dB (law of cosines)."""
    angle = 2.0 * np.pi * 150.0 * MIN_DRIFT_TIMES["sub"] * MIN_CHANGE_S["sub"]
    assert np.degrees(angle) < 4.0
    assert 20.0 * np.log10(np.cos(angle / 2.0)) > -0.01


@pytest.mark.parametrize(("first", "stop"), [(0, 14), (5, 12), (14, COUNT)])
def test_a_change_inside_silence_is_of_its_noise(first: int, stop: int) -> None:
    """What chance shares with the others there, hundreds of samples off, is no place of the mic."""
    found = trails(step(first, stop, 300.0), step(first, stop, -60.0))
    assert len(parts_of(found, 0, "close", RATE)) > 1
    there = sounding(found, 0, "close")
    assert np.flatnonzero(~there).tolist() == list(range(first, stop))
    found.alive[:, 0] &= there
    assert len(parts_of(found, 0, "close", RATE)) == 1


@pytest.mark.parametrize("between_db", [-3.0, -8.0, -20.0, -37.0])
def test_the_stretch_in_which_a_mic_falls_silent_is_no_level_of_its_own(between_db: float) -> None:
    """Silent from the middle of one stretch to the middle of another: two changes."""
    levels = step(6, 12, -60.0)
    levels[[5, 12]] = between_db
    parts = level_parts(trails(np.zeros(COUNT), levels), 0, "close")
    assert [round(part.db) for part in parts] == [0, -40, 0]


def test_a_mic_that_comes_back_for_a_stretch_and_a_window_at_the_end_is_back() -> None:
    """3 windows of riff: more than a tail. Two that are louder than before have no level of their own."""
    found = trails(np.zeros(COUNT), step(8, COUNT - 2, -60.0))
    whole, stretch = found.stretches, found.stretches[COUNT - 2]
    found.stretches = (*whole[: COUNT - 2], replace(stretch, windows=(40, 41)), whole[-1])
    assert len(level_parts(found, 0, "close")) == 3
    found.stretches = whole
    assert len(level_parts(found, 0, "close")) == 2
