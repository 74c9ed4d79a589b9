"""From the recipe to the song's tree: exceptions, groups, defaults by role, gates, the reference, buses, variants."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from premix.model.settings import ChainStep, DelayByHand
from premix.model.song import Mic, PlacedChain, Song, Variant
from premix.recipe.resolve import variants_of
from tests.rigs.songs import Settings, merged_of, recipe_of, song_from

SET_UP: Settings = {"room": {"role": "room"}, "sub": {"role": "sub"}, "dynamic": {"gain_db": -1.0}, "ribbon": {}}
"""A room, a sub and two close mics, in that order."""


def song(mics: Settings = SET_UP, **sections: Any) -> Song:
    """The tree of one performance, unless `performances` says otherwise."""
    return song_from(recipe_of(mics, **sections))


def mic(tree: Song, performance: str, name: str) -> Mic:
    """One mic of a performance."""
    found = tree.performance(performance).mic(name)
    assert found is not None
    return found


def gain(db: float) -> float:
    """Linear."""
    return float(10.0 ** (db / 20.0))


def step(kind: str, **params: Any) -> ChainStep:
    """A step of a chain."""
    return ChainStep(kind=kind, params=params)


@pytest.mark.parametrize(
    ("mics", "reference"), [(("room", "sub", "close"), "close"), (("room", "sub"), "sub"), (("room",), "room")]
)
def test_the_reference_is_the_first_close_mic(mics: tuple[str, ...], reference: str) -> None:
    """Without a close mic the first sub mic, without that the first mic there is."""
    assert song({role: {"role": role} for role in mics}).reference == reference


def test_the_reference_is_the_one_that_is_given() -> None:
    """alignment.reference goes before the order of the mics."""
    assert song(alignment={"reference": "ribbon"}).reference == "ribbon"


def test_every_performance_has_every_mic_told_apart_by_role() -> None:
    """In the recipe's order; sub mics are summed like close mics, rooms are not, and are judged last."""
    tree = song(performances={"left": {"bus": "left"}, "right": {"bus": "right"}})
    assert [m.label for m in tree.mics] == [f"{p}/{m}" for p in ("left", "right") for m in SET_UP]
    for performance in tree.performances:
        assert [m.name for m in performance.close] == ["sub", "dynamic", "ribbon"]
        assert [m.name for m in performance.rooms] == ["room"]
        assert [m.name for m in performance.judged] == ["sub", "dynamic", "ribbon", "room"]
        assert performance.mic("none") is None


def test_a_delay_that_is_not_given_depends_on_the_role() -> None:
    """auto for close and sub mics, none for rooms: their distance is the sound. What is given stays."""
    tree = song()
    assert {m.name: m.delay for m in tree.mics} == {"room": "none", "sub": "auto", "dynamic": "auto", "ribbon": "auto"}
    given = song({"room": {"role": "room", "delay": "auto"}, "dynamic": {"delay": "none"}})
    assert [m.delay for m in given.mics] == ["auto", "none"]


def test_polarity_is_a_sign_or_to_be_found() -> None:
    """auto is None: nobody has decided yet."""
    tree = song({name: {"polarity": name} for name in ("auto", "normal", "inverted")})
    assert [m.polarity for m in tree.mics] == [None, 1, -1]


def test_exceptions_of_a_performance_replace_the_mics_settings() -> None:
    """Only what is given, zero and false included; the other performance keeps the mic's own."""
    exceptions = {
        "dynamic": {"gain_db": 0.0, "polarity": "inverted", "delay": {"ms": 0.5}, "file": "again.wav"},
        "sub": {"mute": False, "optional": False},
    }
    mics = {**SET_UP, "sub": {"role": "sub", "mute": True, "optional": True}}
    tree = song(mics, performances={"left": {"bus": "left", "mics": exceptions}, "right": {"bus": "right"}})
    left, right = mic(tree, "left", "dynamic"), mic(tree, "right", "dynamic")
    assert (left.gain, left.polarity, left.delay, left.file) == (1.0, -1, DelayByHand(ms=0.5), "again.wav")
    assert right == replace(
        left, performance="right", bus="right", gain=right.gain, polarity=None, delay="auto", file=None
    )
    assert right.gain == pytest.approx(gain(-1.0), rel=1e-15)
    subs = [mic(tree, performance, "sub") for performance in ("left", "right")]
    assert [(m.mute, m.optional) for m in subs] == [(False, False), (True, True)]


def test_gains_of_groups_are_added_and_their_chains_come_first() -> None:
    """A mic of two groups has both, in the recipe's order; an exception's gain takes the place of the mic's own."""
    high_pass, tone, own = step("high_pass", cutoff_hz=80.0), step("tilt", gain_db=1.0), step("polarity")
    tree = song(
        {"a": {"gain_db": -3.0, "chain": (own,)}, "b": {}, "c": {}},
        performances={"left": {"bus": "left"}, "right": {"bus": "right", "mics": {"a": {"gain_db": -9.0}}}},
        groups={
            "both": {"mics": ("a", "b"), "gain_db": -2.0, "chain": (high_pass,)},
            "one": {"mics": ("a",), "gain_db": 0.5, "chain": (tone,)},
        },
    )
    left, right = tree.performances
    assert [m.gain for m in left.mics] == pytest.approx([gain(-4.5), gain(-2.0), 1.0], rel=1e-15)
    assert [m.gain for m in right.mics] == pytest.approx([gain(-10.5), gain(-2.0), 1.0], rel=1e-15)
    for performance in tree.performances:
        assert [m.chain for m in performance.mics] == [(high_pass, tone, own), (high_pass,), ()]
    # As the recipe has them: a group's chain once, however many mics it is on.
    assert tree.chains == (
        PlacedChain((high_pass,), "mic", "groups.both.chain"),
        PlacedChain((tone,), "mic", "groups.one.chain"),
        PlacedChain((own,), "mic", "mics.a.chain"),
    )


def test_chains_and_corners_stand_at_their_places() -> None:
    """Each chain is where it is mixed and, with its key's path, in the song's list; filter corners by their keys."""
    chains = [(step("gain", gain_db=float(-n)),) for n in range(4)]
    tree = song(
        {"a": {"chain": chains[0], "low_pass_hz": 180.0, "high_pass_hz": 40.0}},
        performances={"left": {"bus": "left", "chain": chains[1]}},
        buses={"left": {"chain": chains[2]}},
        guitar_bus={"chain": chains[3]},
    )
    (performance,) = tree.performances
    placed = (performance.mics[0].chain, performance.chain, tree.bus("left").chain, tree.guitar_bus.chain)
    assert placed == tuple(chains) == tuple(found.chain for found in tree.chains)
    assert [(found.place, found.path) for found in tree.chains] == [
        ("mic", "mics.a.chain"),
        ("performance", "performances.left.chain"),
        ("bus", "buses.left.chain"),
        ("guitar_bus", "guitar_bus.chain"),
    ]
    assert tree.corners == (("mics.a.high_pass_hz", 40.0), ("mics.a.low_pass_hz", 180.0))
    assert (performance.mics[0].high_pass_hz, performance.mics[0].low_pass_hz) == (40.0, 180.0)


def test_a_rooms_own_gate_lies_over_the_recipes_gate() -> None:
    """Zero and false too; what the mic does not say is the recipe's, and a close mic has no gate."""
    overrides = {"release_ms": 9.0, "mode": "off", "lookahead_ms": 0.0, "invert": False}
    tree = song(
        {"d": {}, "near": {"role": "room"}, "far": {"role": "room", "gate": overrides}},
        gate={"hold_ms": 50.0, "release_ms": 70.0, "invert": True},
    )
    assert mic(tree, "left", "far").gate == tree.gate.model_copy(update=overrides)
    assert (tree.gate.hold_ms, tree.gate.release_ms, tree.gate.mode) == (50.0, 70.0, "gate")
    assert mic(tree, "left", "near").gate == tree.gate
    assert mic(tree, "left", "d").gate is None


@pytest.mark.parametrize(
    ("performance", "bus", "heard"), [(False, False, True), (True, False, False), (False, True, False)]
)
def test_a_performance_is_heard_unless_it_or_its_bus_is_muted(performance: bool, bus: bool, heard: bool) -> None:
    """mute says what the performance's own setting is; the others are heard all the same."""
    tree = song(
        performances={"left": {"bus": "left", "mute": performance}, "right": {"bus": "right"}},
        buses={"left": {"mute": bus}, "right": {}},
    )
    left, right = tree.performances
    assert (left.mute, left.heard, right.mute, right.heard) == (performance, heard, False, True)
    assert [b.mute for b in tree.buses] == [bus, False]


def test_gains_and_pans_of_buses_are_linear() -> None:
    """Constant power at -3 dB: cos and sin of (1 + pan) pi / 4 (common practice, from memory)."""
    tree = song(
        performances={"left": {"bus": "side", "gain_db": -2.0}},
        buses={"side": {"pan": -0.4, "gain_db": -6.0}},
        guitar_bus={"gain_db": 1.5, "width": 1.2},
    )
    (bus,), angle = tree.buses, (1.0 - 0.4) * np.pi / 4.0
    assert (bus.gain, bus.left, bus.right) == pytest.approx((gain(-6.0), np.cos(angle), np.sin(angle)), abs=1e-15)
    assert (tree.guitar_bus.gain, tree.guitar_bus.width) == pytest.approx((gain(1.5), 1.2), rel=1e-15)
    assert tree.performances[0].gain == pytest.approx(gain(-2.0), rel=1e-15)


def test_a_record_that_no_stage_has_added_yet_is_no_value() -> None:
    """Asking for it is a bug with a name, not None."""
    with pytest.raises(RuntimeError, match="'header' was asked for before its stage has run"):
        _ = song().mics[0].track.header


VARIED: Settings = recipe_of(
    {"a": {}, "b": {"gain_db": -3.0}, "sub": {"role": "sub"}, "room": {"role": "room"}},
    {
        "left": {
            "bus": "left",
            "gain_db": -1.0,
            "mics": {"b": {"gain_db": -6.0, "polarity": "inverted"}, "a": {"mute": False}},
        },
        "right": {"bus": "right"},
    },
    buses={"left": {"pan": -1.0}, "right": {"pan": 1.0}},
    guitar_bus={"width": 1.1},
)
"""Two performances, one with exceptions, for variants."""


def varied(change: Settings) -> Variant:
    """The variant of the recipe that changes this."""
    _, variant = variants_of(merged_of({**VARIED, "variants": {"x": change}}))
    return variant


@pytest.mark.parametrize(
    ("change", "restated"),
    [
        ({"mics": {"b": {"gain_db": -9.0}}}, set()),
        ({"mics": {"b": {"polarity": "normal"}}}, {"b"}),
        ({"mics": {"b": {"delay": {"ms": 1.0}}, "a": {"mute": True}}}, {"b"}),
        ({"performances": {"left": {"mute": True}, "right": {"gain_db": 2.0}}}, set()),
        ({"buses": {"left": {"gain_db": -2.0}}}, set()),
        ({"width": 0.0}, set()),
    ],
)
def test_a_variant_changes_what_it_says_and_nothing_else(change: Settings, restated: set[str]) -> None:
    """What it says of a mic holds in every performance, over its exceptions; all else is the recipe's own tree."""
    found, own = varied(change), song_from(VARIED)

    def changed(one: Mic) -> Mic:
        says = change.get("mics", {}).get(one.name, {})
        new: dict[str, Any] = {"mute": says["mute"]} if "mute" in says else {}
        if "gain_db" in says:
            new["gain"] = pytest.approx(gain(says["gain_db"]), rel=1e-15)
        if "polarity" in says:
            new["polarity"] = {"normal": 1, "inverted": -1}[says["polarity"]]
        if "delay" in says:
            new["delay"] = DelayByHand(**says["delay"])
        return replace(one, **new)

    assert found.song.mics == own.with_mics(changed).mics
    left, right = found.song.performances
    says = change.get("performances", {})
    assert (left.mute, left.heard) == (says.get("left", {}).get("mute", False), "left" not in says)
    assert left.gain == pytest.approx(gain(-1.0), rel=1e-15)
    assert right.gain == pytest.approx(gain(says.get("right", {}).get("gain_db", 0.0)), rel=1e-15)
    bus = found.song.bus("left")
    assert bus.gain == pytest.approx(gain(change.get("buses", {}).get("left", {}).get("gain_db", 0.0)), rel=1e-15)
    assert (bus.pan, found.song.bus("right")) == (-1.0, own.bus("right"))
    assert found.song.guitar_bus.width == change.get("width", 1.1)
    assert found.restated == frozenset(restated)


def test_the_recipe_itself_comes_first_and_unchanged() -> None:
    """Under a name that no variant has."""
    recipe = {**VARIED, "variants": {"recipe": {"width": 0.0}, "recipe_0": {"width": 1.0}}}
    variants = variants_of(merged_of(recipe))
    assert [variant.name for variant in variants] == ["recipe_0_0", "recipe", "recipe_0"]
    assert variants[0].song == song_from(recipe)
    assert (variants[0].changes, variants[0].restated) == ({}, frozenset())
    assert variants[1].changes == {"width": 0.0}


def test_the_mics_are_varied_by_themselves() -> None:
    """As recorded, each alone, each left out; the recipe's own variants are not among them."""
    variants = variants_of(merged_of({**VARIED, "variants": {"x": {"width": 0.0}}}), by_mics=True)
    mics = ["a", "b", "sub", "room"]
    names = ["recipe", "as_recorded", *(f"only_{m}" for m in mics), *(f"without_{m}" for m in mics)]
    assert [variant.name for variant in variants] == names


def test_a_mic_alone_is_alone_in_every_performance() -> None:
    """Also where an exception says otherwise; as recorded means no polarity and no delay."""
    found = {variant.name: variant for variant in variants_of(merged_of(VARIED), by_mics=True)}
    for performance in found["only_b"].song.performances:
        assert [m.name for m in performance.mics if not m.mute] == ["b"]
    for performance in found["without_b"].song.performances:
        assert [m.name for m in performance.mics if m.mute] == ["b"]
    recorded = found["as_recorded"]
    assert {(m.polarity, m.delay) for m in recorded.song.mics} == {(1, "none")}
    assert recorded.restated == {"a", "b", "sub", "room"}


@pytest.mark.parametrize(
    ("mics", "names"),
    [
        ({"a": {}, "b": {}}, ["recipe", "as_recorded", "only_a", "only_b"]),
        ({"a": {}}, ["recipe", "as_recorded"]),
        ({"a": {}, "b": {}, "c": {"mute": True}}, ["recipe", "as_recorded", "only_a", "only_b"]),
    ],
)
def test_no_variant_comes_twice(mics: Settings, names: list[str]) -> None:
    """Of two mics, one left out is the other alone; muted mics stay muted."""
    assert [variant.name for variant in variants_of(merged_of(recipe_of(mics)), by_mics=True)] == names
