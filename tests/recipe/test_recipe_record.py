"""The recipe record: what other rooms ask of it."""

import pytest

from premix.model.recipe import DelayByHand, Recipe


def recipe(**sections: object) -> Recipe:
    """A recipe of one performance and a room, a sub and two close mics, in that order."""
    mics = {"room": {"role": "room"}, "sub": {"role": "sub"}, "dynamic": {"gain_db": -1.0}, "ribbon": {}}
    return Recipe.model_validate(
        {"format": 1, "mics": mics, "performances": {"left": {"bus": "left"}}, **sections}, strict=True
    )


@pytest.mark.parametrize(
    ("mics", "reference"), [(("room", "sub", "close"), "close"), (("room", "sub"), "sub"), (("room",), "room")]
)
def test_the_reference_is_the_first_close_mic(mics: tuple[str, ...], reference: str) -> None:
    """Without a close mic the first sub mic, without that the first mic there is."""
    assert recipe(mics={role: {"role": role} for role in mics}).reference_mic() == reference


def test_the_reference_is_the_one_that_is_given() -> None:
    """alignment.reference goes before the order of the mics."""
    assert recipe(alignment={"reference": "ribbon"}).reference_mic() == "ribbon"


def test_mics_are_told_apart_by_role() -> None:
    """Sub mics are summed like close mics; rooms are not."""
    assert recipe().close_mics() == ("sub", "dynamic", "ribbon")
    assert recipe().room_mics() == ("room",)


def test_a_delay_that_is_not_given_depends_on_the_role() -> None:
    """auto for close and sub mics, none for rooms: their distance is the sound."""
    delays = {mic: recipe().mic_in("left", mic).delay for mic in ("room", "sub", "dynamic")}
    assert delays == {"room": "none", "sub": "auto", "dynamic": "auto"}


def test_exceptions_of_a_performance_replace_the_mics_settings() -> None:
    """Only what is given, zero and false included."""
    exceptions = {"dynamic": {"gain_db": 0.0, "polarity": "inverted", "delay": {"ms": 0.5}}}
    what = recipe(performances={"left": {"bus": "left", "mics": exceptions}, "right": {"bus": "right"}})
    mic = what.mic_in("left", "dynamic")
    assert (mic.gain_db, mic.polarity, mic.delay) == (0.0, "inverted", DelayByHand(ms=0.5))
    assert what.mic_in("right", "dynamic").gain_db == -1.0


def test_a_rooms_own_gate_lies_over_the_recipes_gate() -> None:
    """What the mic does not say is the recipe's."""
    what = recipe(gate={"hold_ms": 50.0}, mics={"d": {}, "room": {"role": "room", "gate": {"release_ms": 9.0}}})
    assert (what.gate_of("room").hold_ms, what.gate_of("room").release_ms) == (50.0, 9.0)
    assert what.gate_of("d") == what.gate
