"""The name pattern of tracks: placeholders count literally, case and Unicode form do not count, / is never crossed."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from premix.model.names import Pattern, fits, fold, placeholders

NAMES = st.text(st.characters(exclude_characters="/", codec="utf-8"), min_size=1, max_size=8)


def fit(pattern: str, name: str, performance: str = "left", mic: str = "rib", song: str = "") -> bool:
    return fits(fold(name), Pattern(pattern, song).globs([performance], [mic]))


@settings(max_examples=200, deadline=None, derandomize=True)
@given(performance=NAMES, mic=NAMES)
def test_what_stands_for_a_placeholder_is_found_literally(performance: str, mic: str) -> None:
    """Whatever signs a name holds, brackets, stars and braces among them, it fits itself and nothing else."""
    assert fit("{performance}-{mic}.wav", f"{performance}-{mic}.wav", performance, mic)
    assert not fit("{performance}-{mic}.wav", f"{performance}-{mic}x.wav", performance, mic)
    assert not fit("{mic}.wav", "much longer than that.wav", performance, mic)


@pytest.mark.parametrize(
    ("pattern", "name", "fitting"),
    [
        ("{performance}_{mic}.*", "LEFT_Rib.WAV", True),
        ("{performance}_{mic}.*", "left_rib", False),
        ("* {mic}?.wav", "any thing rib2.wav", True),
        ("*{mic}.wav", "left/rib.wav", False),
        ("{performance}*", "left/rib.wav", False),
        ("{performance}/{mic}*.wav", "left/rib 3.wav", True),
        ("{performance}/{mic}?.wav", "left/rib/.wav", False),
        ("[ab] {mic}.wav", "[ab] rib.wav", True),
        ("[ab] {mic}.wav", "a rib.wav", False),
        ("{song}_{mic}.wav", "north sea_rib.wav", True),
        ("{other}.wav", "{other}.wav", True),
        ("re\u0301_{mic}.wav", "r\u00c9_rib.wav", True),
    ],
)
def test_a_pattern_fits_by_folder_and_file(pattern: str, name: str, fitting: bool) -> None:
    """* and ? stay inside a folder's or the file's name; other signs are themselves; é in both its forms is one."""
    assert fit(pattern, name, song="North Sea") is fitting


def test_every_spelling_is_tried() -> None:
    """Aliases of both axes, in all pairs."""
    globs = Pattern("{performance}{mic}").globs(["a", "b"], ["x", "y"])
    assert [name for name in ("ax", "ay", "bx", "by", "ab", "xy") if fits(name, globs)] == ["ax", "ay", "bx", "by"]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("{song}_{part}", (["song", "part"], False)),
        ("{}", ([""], False)),
        ("plain", ([], False)),
        ("{part", ([], True)),
        ("{part!r}", (["part"], True)),
        ("{part:>3}", (["part"], True)),
        ("{{part}}", ([], True)),
    ],
)
def test_placeholders_are_plain_names_in_braces(text: str, found: tuple[list[str], bool]) -> None:
    """Conversions, format specifications and doubled braces are no part of the language."""
    assert placeholders(text) == found
