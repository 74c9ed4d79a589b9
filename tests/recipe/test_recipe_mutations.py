"""Mutated recipes: whatever is done to a recipe's text, it is read or told with listed slugs, never a traceback."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from premix.errors import RecipeError
from premix.messages import STAGES
from premix.recipe.read import read_recipe
from premix.recipe.reference import FOLDER

TEXT = (FOLDER / "house.yaml").read_text(encoding="utf-8") + (
    "variants: {v: {mics: {ribbon: {mute: true, delay: {ms: 1}}}}}\nlimits: {sum_efficiency_db: -1.5}\n"
)
QUICK = settings(
    max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
PIECES = st.sampled_from(
    ["{", "}", "[", "]", ":", ": ", ",", "\n", "  ", "\t", "- ", "&a ", "*a", "!x ", "'", '"', "#", "|", ">", "~",
     "null", "true", ".nan", "1e999", "-3", "010", "? ", "<<", "---\n", "%", "@", "\x00", "é", "\U0001f39b"]
)  # fmt: skip


def check(folder: Path, data: bytes, arguments: list[str] | None = None) -> None:
    """Read; every problem has a listed slug, a place and a line of printable text."""
    path = folder / "recipe.yaml"
    path.write_bytes(data)
    try:
        read_recipe(path, settings=arguments or [])
    except RecipeError as error:
        assert error.problems
        for problem in error.problems:
            assert problem.slug in STAGES["recipe"]
            assert problem.line().isprintable() and problem.where and problem.what


@QUICK
@given(places=st.lists(st.tuples(st.integers(0, len(TEXT)), st.integers(0, 9), PIECES), min_size=1, max_size=4))
def test_a_recipe_with_pieces_cut_out_and_put_in(tmp_path: Path, places: list[tuple[int, int, str]]) -> None:
    """Pieces of YAML at random places, over what stood there."""
    text = TEXT
    for start, length, piece in places:
        text = text[:start] + piece + text[start + length :]
    check(tmp_path, text.encode())


@QUICK
@given(data=st.binary(max_size=200))
def test_bytes_of_any_kind(tmp_path: Path, data: bytes) -> None:
    """A recipe of random bytes."""
    check(tmp_path, data)


SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(-(10**30), 10**30), st.floats(), st.text(max_size=8),
    st.sampled_from(["auto", "none", "left", "dynamic", "room", "stems", "{part}", "a/b", "1:30"]),
)  # fmt: skip
KEYS = st.one_of(
    st.sampled_from(
        ["format", "extends", "song", "tracks", "mics", "performances", "alignment", "gate", "buses", "guitar_bus",
         "groups", "deliver", "variants", "limits", "name", "role", "gain_db", "mute", "delay", "ms", "cm",
         "pan", "dynamic", "room", "left", "right", "files", "bits", "chain", "reference", "aliases", "band_hz"]
    ),
    st.text(max_size=4),
)  # fmt: skip
VALUES = st.recursive(SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=5))


def as_yaml(value: Any) -> str:
    """A value in flow style; texts in double quotes with their odd characters escaped."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{as_yaml(str(key))}: {as_yaml(child)}" for key, child in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(as_yaml, value)) + "]"
    if isinstance(value, str):
        return '"' + "".join(c if c.isalnum() and c.isascii() else f"\\U{ord(c):08X}" for c in value) + '"'
    names = {None: "null", True: "true", False: "false"}
    return names[value] if value is None or isinstance(value, bool) else repr(value)


@QUICK
@given(data=st.dictionaries(KEYS, VALUES, max_size=8))
def test_a_mapping_of_anything(tmp_path: Path, data: dict[str, Any]) -> None:
    """Well-formed YAML of the recipe's own words at wrong places, with values of all types."""
    base = {"format": 1, "mics": {"dynamic": {}}, "performances": {"left": {"bus": "left"}}}
    check(tmp_path, as_yaml(base | data).encode())


@QUICK
@given(key=st.lists(KEYS, min_size=1, max_size=4), value=VALUES)
def test_a_setting_of_anything(tmp_path: Path, key: list[str], value: Any) -> None:
    """Any --set over a good recipe."""
    check(tmp_path, TEXT.encode(), [f"{'.'.join(key)}={as_yaml(value)}"])


@pytest.mark.parametrize("cut", range(0, len(TEXT), 37))
def test_a_recipe_cut_off_anywhere(tmp_path: Path, cut: int) -> None:
    """A file that was not written to its end."""
    check(tmp_path, TEXT[:cut].encode())
