"""Variants as whole recipes: what they change, and what they leave."""

from pathlib import Path
from typing import Any

import pytest

from premix.model.recipe import Recipe
from premix.recipe.read import read_recipe
from premix.recipe.variants import variants_of

BASE = """
format: 1
mics: {a: {}, b: {gain_db: -3}, sub: {role: sub}, room: {role: room}}
performances:
  left: {bus: left, gain_db: -1, mics: {b: {gain_db: -6, polarity: inverted}, a: {mute: false}}}
  right: {bus: right}
guitar_bus: {width: 1.1}
"""


def _recipe(folder: Path, more: str = "") -> Recipe:
    path = folder / "recipe.yaml"
    path.write_text(BASE + more, "utf-8")
    return read_recipe(path).recipe


def _named(folder: Path, variant: str) -> Recipe:
    """The recipe that a variant makes."""
    return variants_of(_recipe(folder, f"variants: {{x: {variant}}}"))[1].recipe


@pytest.mark.parametrize(
    ("variant", "where", "value"),
    [
        ("{mics: {b: {gain_db: -9}}}", lambda r: r.mic_in("right", "b").gain_db, -9.0),
        ("{mics: {b: {gain_db: -9}}}", lambda r: r.mic_in("left", "b").gain_db, -9.0),
        ("{mics: {b: {gain_db: -9}}}", lambda r: r.mic_in("left", "b").polarity, "inverted"),
        ("{mics: {b: {polarity: normal}}}", lambda r: r.mic_in("left", "b").polarity, "normal"),
        ("{mics: {b: {delay: {ms: 1}}}}", lambda r: r.mic_in("left", "b").delay.ms, 1.0),
        ("{mics: {a: {mute: true}}}", lambda r: r.mic_in("left", "a").mute, True),
        ("{performances: {left: {mute: true}}}", lambda r: r.performances["left"].mute, True),
        ("{performances: {right: {gain_db: 2}}}", lambda r: r.performances["left"].gain_db, -1.0),
        ("{buses: {left: {gain_db: -2}}}", lambda r: r.buses["left"].gain_db, -2.0),
        ("{buses: {left: {gain_db: -2}}}", lambda r: r.buses["left"].pan, -1.0),
        ("{width: 0}", lambda r: r.guitar_bus.width, 0.0),
        ("{mics: {a: {gain_db: 1}}}", lambda r: r.guitar_bus.width, 1.1),
    ],
)
def test_a_variant_changes_what_it_says(tmp_path: Path, variant: str, where: Any, value: Any) -> None:
    """In every performance, over its exceptions; all else stays."""
    assert where(_named(tmp_path, variant)) == value


def test_the_recipe_itself_comes_first_and_unchanged(tmp_path: Path) -> None:
    """Under a name that no variant has."""
    recipe = _recipe(tmp_path, "variants: {recipe: {width: 0}, recipe_0: {width: 1}}")
    variants = variants_of(recipe)
    assert [named.name for named in variants] == ["recipe_0_0", "recipe", "recipe_0"]
    assert variants[0].recipe == recipe


def test_the_mics_are_varied_by_themselves(tmp_path: Path) -> None:
    """As recorded, each alone, each left out; the recipe's own variants are not among them."""
    names = [named.name for named in variants_of(_recipe(tmp_path, "variants: {x: {width: 0}}"), by_mics=True)]
    mics = ["a", "b", "sub", "room"]
    assert names == ["recipe", "as_recorded", *(f"only_{m}" for m in mics), *(f"without_{m}" for m in mics)]


def test_a_mic_alone_is_alone_in_every_performance(tmp_path: Path) -> None:
    """Also where an exception says otherwise."""
    found = {named.name: named.recipe for named in variants_of(_recipe(tmp_path), by_mics=True)}
    for performance in ("left", "right"):
        heard = {mic for mic in "ab" if not found["only_b"].mic_in(performance, mic).mute}
        assert heard == {"b"}
        recorded = found["as_recorded"].mic_in(performance, "b")
        assert (recorded.polarity, recorded.delay) == ("normal", "none")


@pytest.mark.parametrize(
    ("mics", "names"),
    [
        ("{a: {}, b: {}}", ["recipe", "as_recorded", "only_a", "only_b"]),
        ("{a: {}}", ["recipe", "as_recorded"]),
        ("{a: {}, b: {}, c: {mute: true}}", ["recipe", "as_recorded", "only_a", "only_b"]),
    ],
)
def test_no_variant_comes_twice(tmp_path: Path, mics: str, names: list[str]) -> None:
    """Of two mics, one left out is the other alone; muted mics stay muted."""
    path = tmp_path / "recipe.yaml"
    path.write_text(f"format: 1\nmics: {mics}\nperformances: {{left: {{bus: left}}}}\n", "utf-8")
    assert [named.name for named in variants_of(read_recipe(path).recipe, by_mics=True)] == names
