"""Attacks in rooms whose strongest sound is a reflection."""

import pytest

from tests.gate.late_rooms import attacks_lost_db


@pytest.mark.parametrize("seed", [2002, 2006])
def test_no_attack_loses_its_first_20_ms(seed: int) -> None:
    """Not 0.1 dB of the first sound; a gate that goes by the strongest one takes 4 dB and more of some attacks."""
    assert max(attacks_lost_db(seed)) < 0.1
    assert max(attacks_lost_db(seed, by_strongest=True)) > 4.0
