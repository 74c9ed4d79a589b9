"""The roll-call: what is left out with its near misses, what is there on one side only, and how little it costs."""

import difflib
from collections.abc import Sequence
from pathlib import Path

import pytest

from premix.errors import TracksError
from premix.model.song import Song
from premix.model.tracks import RollCall
from premix.tracks.find import find_tracks
from premix.tracks.roll_call import MOST_GUESSED, roll_findings
from tests.rigs.songs import Settings, recipe_of, song_from

MICS: Settings = {
    "dynamic": {},
    "ribbon": {"aliases": ("rib",)},
    "sub": {"role": "sub", "optional": True},
    "room": {"role": "room", "optional": True},
}
SIDES: Settings = {
    "left_a": {"bus": "left"},
    "left_b": {"bus": "left", "optional": True},
    "right_a": {"bus": "right"},
    "right_b": {"bus": "right", "optional": True},
    "centre": {"bus": "centre", "optional": True, "aliases": ("ctr",)},
}
FULL = {f"{performance}_{mic}.wav" for performance in SIDES for mic in MICS}


def song(mics: Settings = MICS, sides: Settings | Sequence[str] = SIDES) -> Song:
    return song_from(recipe_of(mics, sides))


def called(folder: Path, names: set[str], what: Song | None = None) -> RollCall:
    """The roll-call of a folder of empty files."""
    for name in names:
        (folder / name).touch()
    return find_tracks(what or song(), folder)[1]


def without(*names: str) -> set[str]:
    """The full folder, but for files that begin like this."""
    return {file for file in FULL if not file.startswith(names)}


def test_a_full_folder_is_short_to_say(tmp_path: Path) -> None:
    """Nothing left out, nothing over, nothing found."""
    roll = called(tmp_path, FULL)
    assert roll == RollCall(20, 20)
    assert roll.line() == "used 20 of 20 files"
    assert list(roll_findings(roll, "song")) == []


def test_a_mic_that_is_missing_is_named_with_the_name_that_was_looked_for(tmp_path: Path) -> None:
    """And with the file that is spelled nearly so; that is a warning."""
    roll = called(tmp_path, without("left_b_sub") | {"left_b_suub.wav"})
    (one,) = roll.left_out
    assert (one.label, one.wanted, one.near) == ("left_b/sub", "left_b_sub.*", ("left_b_suub.wav",))
    found = {f.slug: f for f in roll_findings(roll, "song")}
    assert set(found) == {"track-left-out", "track-unused-files", "track-one-sided"}
    assert (found["track-left-out"].severity, found["track-left-out"].subject) == ("warning", "left_b/sub")
    assert "near misses: left_b_suub.wav" in found["track-left-out"].message
    assert roll.line() == (
        "used 19 of 20 files; left out: left_b/sub (no file fits 'left_b_sub.*'; near misses: left_b_suub.wav); "
        "not used: left_b_suub.wav"
    )


def test_what_was_not_recorded_is_no_warning(tmp_path: Path) -> None:
    """No file could be it, and no side has what the other lacks."""
    roll = called(tmp_path, without("left_b_room", "right_b_room", "centre_sub"))
    assert [one.label for one in roll.left_out] == ["left_b/room", "right_b/room", "centre/sub"]
    assert [(f.slug, f.severity) for f in roll_findings(roll, "song")] == [("track-left-out", "info")] * 3


NEAR = {
    "a letter lost": ("centre", "centr_dynamic.wav", True),
    "another language, a mic in short": ("centre", "Mitte_dyn.wav", True),
    "another language, the mic in full": ("centre", "03 Mitte room.wav", True),
    "another language, a mic's alias": ("centre", "mitte-rib-2.wav", True),
    "nothing of it": ("centre", "click track.wav", False),
    "the performance, another mic": ("left_b_sub", "left_b tief.wav", True),
    "another performance and mic": ("left_b_sub", "bass di.wav", False),
    "a part of a word is no word": ("left_b_sub", "left_bass tief.wav", False),
}


@pytest.mark.parametrize("case", NEAR)
def test_near_misses(tmp_path: Path, case: str) -> None:
    """Unused files that are spelled alike, or name a mic of the missing performance, or the performance of a mic."""
    gone, file, near = NEAR[case]
    roll = called(tmp_path, without(gone) | {file})
    assert roll.left_out[0].near == ((file,) if near else ())


def test_a_performance_that_is_missing_and_needed_is_one_line(tmp_path: Path) -> None:
    """With the near misses, and the line that lets it be missing."""
    with pytest.raises(TracksError) as caught:
        called(tmp_path, without("right_a") | {"rihgt_a_dynamic.wav"})
    (problem,) = caught.value.problems
    assert problem.line() == (
        "right_a: none of its 4 files is here: no file fits 'right_a_*'; did you mean 'rihgt_a_dynamic.wav'?; "
        "if it may be missing, write performances: {right_a: {optional: true}} [track-no-performance]"
    )


ONE_SIDED = {
    "a mic of one of two": (("left_b_sub",), ["left_b/sub"]),
    "a mic of one on each side": (("left_b_sub", "right_a_sub"), []),
    "a mic of a whole side": (("right_a_room", "right_b_room"), ["right_a/room", "right_b/room"]),
    "a performance": (("right_b",), ["right_b"]),
    "a performance on each side": (("left_b", "right_b"), []),
    "a performance here, its mic there": (("left_b_", "right_b_sub"), ["left_b"]),
    "the middle": (("centre",), []),
    "a mic of the middle": (("centre_room",), []),
}


@pytest.mark.parametrize("case", ONE_SIDED)
def test_what_one_side_has_and_the_other_has_not(tmp_path: Path, case: str) -> None:
    """Sides by the pan of the bus; as many performances with the mic here as there is even."""
    gone, labels = ONE_SIDED[case]
    roll = called(tmp_path, without(*gone))
    assert list(roll.one_sided) == labels
    told = [f for f in roll_findings(roll, "song") if f.slug == "track-one-sided"]
    assert [(f.severity, f.subject) for f in told] == [("warning", label) for label in labels]


def test_a_line_stays_a_line(tmp_path: Path) -> None:
    """However much is missing: whole performances first, the rest counted."""
    sides = {f"take{n}": {"bus": "left", "optional": True} for n in range(60)}
    names = {f"take{n}_{mic}.wav" for n in range(30) for mic in ("dynamic", "ribbon")}
    roll = called(tmp_path, names, song(sides=sides))
    assert len(roll.left_out) == 30 + 30 * 2
    line = roll.line()
    assert line.startswith("used 60 of 60 files; left out: take30 (no file fits 'take30_*'), take31 (")
    assert line.endswith("take35 (no file fits 'take35_*') and 84 more")


def test_near_misses_are_sought_for_what_is_told_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Comparing spellings is slow: a folder of 500 strange names costs a handful of comparisons, not thousands."""
    asked: list[int] = []

    def counted(*arguments: object, **more: object) -> list[str]:
        asked.append(1)
        return []

    monkeypatch.setattr(difflib, "get_close_matches", counted)
    strange = {f"x{n}.wav" for n in range(500)}
    sides = {f"take{n}": {"bus": "left", "optional": True} for n in range(200)}
    called(tmp_path, strange | {"take0_dynamic.wav", "take0_ribbon.wav"}, song(sides=sides))
    assert 0 < len(asked) <= MOST_GUESSED * len(MICS)
    asked.clear()
    with pytest.raises(TracksError):
        called(tmp_path, strange, song(sides={f"take{n}": {"bus": "left"} for n in range(200)}))
    assert 0 < len(asked) <= MOST_GUESSED * len(MICS)
