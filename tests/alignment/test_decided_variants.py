"""Variants of an aligned song: what a variant says is changed, and everything else is the song's own."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from premix.alignment.decide import align, decide_variant
from premix.gate.rooms import decide_gates
from premix.model.alignment import MicDecision
from premix.model.song import Song
from premix.recipe.resolve import variants_of
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.songs import Settings, keys_of, merged_of, recipe_of, song_from, with_keys, with_signals, with_tracks

PERFORMANCES = ("left", "right")


@pytest.fixture(scope="module")
def rigs() -> list[Rig]:
    """Two performances of three close mics, a sub and a room, pooled by default."""
    return [random_cabinet(31, take=take, n_close=3, room=True, seconds=6.0, noise_db=-50.0) for take in range(2)]


@pytest.fixture(scope="module")
def recipe(rigs: list[Rig]) -> Settings:
    """With an exception and a muted mic."""
    mics = {mic.name: {"role": mic.role, "gain_db": -float(k)} for k, mic in enumerate(rigs[0].mics)}
    mics["ribbon"]["mute"] = True
    sides = {"left": {"bus": "left"}, "right": {"bus": "right", "mics": {"condenser": {"gain_db": -9.0}}}}
    return recipe_of(mics, sides, song="Tidewater", alignment={"refused": "mute"})


@pytest.fixture(scope="module")
def song(rigs: list[Rig], recipe: Settings, tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Up to the gates."""
    folder = tmp_path_factory.mktemp("variants")
    takes = dict(zip(PERFORMANCES, rigs, strict=True))
    made = with_tracks(song_from(recipe), rigs[0].rate, rigs[0].signals.shape[1], folder)
    made = with_signals(made, {name: rig.signals for name, rig in takes.items()}, rigs[0].rate)
    close = [mic.name for mic in made.performances[0].close]
    powers = {
        name: (rig.signals[: len(close)].reshape(len(close), -1, 48) ** 2).mean(axis=2) for name, rig in takes.items()
    }
    return decide_gates(align(with_keys(made, {name: keys_of(name, powers[name], close, folder) for name in takes})))


def varied(song: Song, recipe: Settings, variant: Settings) -> Song:
    """The song of the recipe's one variant."""
    _, made = variants_of(merged_of({**recipe, "variants": {"other": variant}}))
    return decide_variant(song, made)


def assert_same_but(song: Song, other: Song, changes: Mapping[str, Mapping[str, Any]]) -> None:
    """`other` is the song but for these fields of its mics, by label; the records are the song's own, not copies."""
    assert (other.name, other.folder, other.rate, other.frames) == (song.name, song.folder, song.rate, song.frames)
    for own, given in zip(song.performances, other.performances, strict=True):
        for record in ("spectra", "envelopes", "riff"):
            assert getattr(given, record) is getattr(own, record)
    for mic, given_mic in zip(song.mics, other.mics, strict=True):
        assert given_mic == replace(mic, **changes.get(mic.label, {}))


def decision(song: Song, label: str) -> MicDecision:
    return next(mic.decision for mic in song.mics if mic.label == label)


def test_the_recipe_itself_is_the_first_variant_and_changes_nothing(song: Song, recipe: Settings) -> None:
    """Every mic, bus and record as it was."""
    first, _ = variants_of(merged_of({**recipe, "variants": {"other": {"width": 0.0}}}))
    same = decide_variant(song, first)
    assert_same_but(song, same, {})
    assert (same.buses, same.guitar_bus) == (song.buses, song.guitar_bus)


def test_a_gain_holds_in_every_performance_and_touches_one_mic(song: Song, recipe: Settings) -> None:
    """-6 dB is a gain of 10^(-6/20), over the exception of one performance too; no decision is made anew."""
    gain = {"gain": 10.0 ** (-6.0 / 20.0)}
    other = varied(song, recipe, {"mics": {"condenser": {"gain_db": -6.0}}})
    assert_same_but(song, other, {"left/condenser": gain, "right/condenser": gain})


@pytest.mark.parametrize("mic", ["dynamic", "condenser", "room"])
def test_a_muted_mic_leaves_the_sum_and_no_other_moves(song: Song, recipe: Settings, mic: str) -> None:
    """The reference among them: what was decided with it stays."""
    other = varied(song, recipe, {"mics": {mic: {"mute": True}}})
    changes = {
        label: {"mute": True, "decision": replace(decision(song, label), summed=False)}
        for label in (f"left/{mic}", f"right/{mic}")
    }
    assert_same_but(song, other, changes)


def test_an_unmuted_mic_joins_the_sum_with_its_own_decision_unless_refused(song: Song, recipe: Settings) -> None:
    """It was placed against the sum while it was muted; a mic that was refused stays out."""
    refused = replace(decision(song, "right/ribbon"), refusal="alignment-silent")
    song = song.with_mics(lambda mic: replace(mic, decision=refused) if mic.label == "right/ribbon" else mic)
    own = decision(song, "left/ribbon")
    assert (own.summed, own.refusal) == (False, None)
    changes: dict[str, dict[str, Any]] = {
        "left/ribbon": {"mute": False, "decision": replace(own, summed=True)},
        "right/ribbon": {"mute": False},
    }
    assert_same_but(song, varied(song, recipe, {"mics": {"ribbon": {"mute": False}}}), changes)


def test_a_restated_delay_is_taken_and_no_other_decision_changes(song: Song, recipe: Settings) -> None:
    """By hand, so not pooled, not sought; its polarity by hand too."""
    other = varied(song, recipe, {"mics": {"sub": {"delay": {"samples": 12.5}, "polarity": "inverted"}}})
    for performance in PERFORMANCES:
        made = decision(other, f"{performance}/sub")
        assert (made.delay_samples, made.polarity, made.origin) == (12.5, -1, "recipe")
    changes = {
        mic.label: {"decision": mic.decision, "delay": mic.delay, "polarity": mic.polarity}
        for mic in other.mics
        if mic.name == "sub"
    }
    assert_same_but(song, other, changes)


def test_as_recorded_takes_every_delay_and_polarity_back(song: Song, recipe: Settings) -> None:
    """The first of the variants that are made of the mics; what is in the sum stays in it."""
    _, as_recorded, *_ = variants_of(merged_of(recipe), by_mics=True)
    other = decide_variant(song, as_recorded)
    assert {(mic.decision.delay_samples, mic.decision.polarity) for mic in other.mics} == {(0.0, 1)}
    assert [mic.decision.summed for mic in other.mics] == [mic.decision.summed for mic in song.mics]
    assert {mic.decision.delay_samples for mic in song.mics} != {0.0}


def test_buses_and_width_are_the_variants(song: Song, recipe: Settings) -> None:
    """A muted bus silences its performance; its mics and their decisions stay."""
    other = varied(song, recipe, {"buses": {"left": {"mute": True}}, "width": 0.5})
    assert_same_but(song, other, {})
    assert other.guitar_bus == replace(song.guitar_bus, width=0.5)
    assert [bus for bus in other.buses if bus.mute] == [replace(song.bus("left"), mute=True)]
    assert [p.heard for p in other.performances] == [False, True]


def test_a_mic_without_a_file_is_not_brought_back(song: Song, recipe: Settings) -> None:
    """An optional mic that a performance lacks, and a performance that is missing as a whole."""
    left = replace(song.performance("left"), mics=song.performance("left").mics[:-1])
    other = varied(replace(song, performances=(left,)), recipe, {"mics": {"condenser": {"gain_db": -6.0}}})
    assert [p.name for p in other.performances] == ["left"]
    assert [mic.label for mic in other.mics] == [mic.label for mic in left.mics]
