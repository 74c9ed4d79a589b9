"""A found balance as lines: only what differs, and a recipe that means what was found."""

from pathlib import Path

import pytest

from premix.model.balance import FoundBalance, FoundMic, FoundPerformance
from premix.recipe.balance_layer import extends_from, found_lines, layer_text
from premix.recipe.read import read_recipe
from premix.recipe.resolve import song_of
from premix.units import gain_to_db
from tests.rigs.sessions import write_recipe

RECIPE = """\
format: 1
mics:
  dynamic: {}
  ribbon: {gain_db: -2}
  sub: {role: sub, gain_db: -8, mute: true}
  room: {role: room, gain_db: -12}
groups: {bright: {mics: [dynamic, ribbon], gain_db: 1}}
performances:
  left_a: {bus: left, mics: {ribbon: {gain_db: -9}}}
  left_b: {bus: left, gain_db: -2}
  "off": {bus: centre}
guitar_bus: {width: 1.3}
"""


def found(mics: dict[str, float | None], places: dict[str, tuple[str, float | None, float]]) -> FoundBalance:
    return FoundBalance(
        0.5,
        0.0,
        "recorded",
        tuple(FoundMic(name, 0.0, db, 0.2) for name, db in mics.items()),
        tuple(FoundPerformance(name, bus, 0.0, db, 0.1, 0.0, pan, 0.0) for name, (bus, db, pan) in places.items()),
        (),
    )


def layered(folder: Path, balance: FoundBalance) -> tuple[str, Path]:
    """The text of the layer, and where it lies."""
    recipe = write_recipe(folder, RECIPE)
    layer = folder / "layers" / "rough.yaml"
    layer.parent.mkdir()
    lines = found_lines(read_recipe(recipe, song_folder=folder), balance)
    text = layer_text(lines, extends_from(recipe, layer), "a test")
    layer.write_text(text, "utf-8")
    return text, layer


def test_the_layer_means_what_was_found(tmp_path: Path) -> None:
    """Groups are part of what is found; exceptions go; a mic that was off is on; pans that differ part a bus."""
    balance = found(
        {"dynamic": 1.0, "ribbon": -3.04, "sub": -6.26, "room": None},
        {"left_a": ("left", 0.0, -0.7), "left_b": ("left", -5.5, -1.0), "off": ("centre", 0.02, 0.0)},
    )
    text, layer = layered(tmp_path, balance)
    assert text.splitlines()[:3] == ["# premix balance: a test", "format: 1", 'extends: "../recipe.yaml"']
    song = song_of(read_recipe(layer, song_folder=layer.parent))
    for performance in song.performances:
        gains = {mic.name: gain_to_db(mic.gain) for mic in performance.mics}
        assert gains["dynamic"] == pytest.approx(1.0)
        assert gains["ribbon"] == pytest.approx(-3.0)
        assert gains["sub"] == pytest.approx(-6.3)
        assert [mic.name for mic in performance.mics if mic.mute] == ["room"]
    assert [song.bus(p.bus).pan for p in song.performances] == pytest.approx([-0.7, -1.0, 0.0])
    assert [gain_to_db(p.gain) for p in song.performances] == pytest.approx([0.0, -5.5, 0.0])
    assert song.guitar_bus.width == 1.0
    assert "dynamic" not in text
    assert '"off"' not in text


def test_what_is_as_it_was_gives_no_line(tmp_path: Path) -> None:
    mics: dict[str, float | None] = {"dynamic": 1.04, "ribbon": -1.0}
    text, layer = layered(tmp_path, found(mics, {"left_b": ("left", -2.0, -1.0), "off": ("centre", None, 0.0)}))
    assert "left_b" not in text
    assert '  "off": {mute: true}' in text
    assert "mics:\n" not in text.split("performances:")[0]
    assert read_recipe(layer, song_folder=layer.parent).recipe.performances["off"].mute
