"""What single windows at a song's ends, and slow wanderings of a sub mic, are taken for. Trails by hand."""

import numpy as np
import pytest

from premix.alignment.changes import MIN_DRIFT_TIMES, level_parts, parts_of
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
