"""The song's tree: its one list of findings, records that are not there yet, and the orders of its mics."""

import operator
from collections.abc import Callable
from dataclasses import FrozenInstanceError, replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from premix.errors import Finding
from premix.gate.rooms import decide_gates
from premix.model.song import Song
from tests.rigs.songs import recipe_of, song_from, with_decisions, with_tracks

MICS = {"room": {"role": "room"}, "sub": {"role": "sub"}, "dynamic": {}, "far": {"role": "room"}}
SONG = song_from(recipe_of(MICS, ("left", "right")))
TOLD = [Finding("padded", "info", f"left/{name}", text) for name in MICS for text in ("by 1 sample", "by 2 samples")]


@given(st.lists(st.lists(st.sampled_from(TOLD))))
def test_each_finding_is_kept_once_where_it_was_first_told(parts: list[list[Finding]]) -> None:
    """However the stages tell them: a plain walk over all of them gives the same list."""
    song, expected = SONG, []
    for part in parts:
        song = song.tell(*part)
        expected += part
    assert list(song.findings) == [f for index, f in enumerate(expected) if f not in expected[:index]]
    assert SONG.findings == ()


def test_findings_that_differ_in_any_field_are_two() -> None:
    """Slug, severity, subject, message or remedy."""
    one = TOLD[0]
    others = [
        replace(one, slug="track-dc"),
        replace(one, severity="warning"),
        replace(one, subject="right/room"),
        replace(one, message="by 3 samples"),
        replace(one, hint="none"),
    ]
    assert SONG.tell(one, *others, one).findings == (one, *others)


EARLY: dict[str, Callable[[Song], Any]] = {
    "path of a track": lambda song: song.mics[0].track.header,
    "hash of a track": lambda song: song.mics[0].levels.sha256,
    "decision": lambda song: song.mics[0].decision.delay_samples,
    "arrival": lambda song: song.mics[0].arrival_samples,
    "gate of a room": lambda song: song.mics[0].room.curve,
    "spectra": lambda song: song.performances[0].spectra.freqs_hz,
    "envelopes": lambda song: song.performances[0].envelopes.frames,
    "efficiency": lambda song: song.performances[0].efficiency.after_db,
    "riff": lambda song: song.performances[0].riff.spans,
    "folder": lambda song: song.folder.name,
}


@pytest.mark.parametrize("what", EARLY)
def test_asking_a_record_before_its_stage_has_run_raises(what: str) -> None:
    """Never a number that nobody has found."""
    with pytest.raises(RuntimeError, match="was asked for before its stage has run"):
        EARLY[what](SONG)


@pytest.mark.parametrize("calculate", [operator.add, operator.mul, operator.floordiv, operator.lt])
def test_a_rate_that_is_not_known_yet_is_no_number(calculate: Callable[[Any, Any], Any]) -> None:
    """Nor is the length."""
    for unknown in (SONG.rate, SONG.frames):
        with pytest.raises(TypeError):
            calculate(unknown, 2)


def test_a_stage_that_comes_too_early_raises() -> None:
    """Gates before the one pass over the tracks."""
    with pytest.raises(RuntimeError, match="before its stage has run"):
        decide_gates(with_decisions(with_tracks(SONG, 48_000, 480)))


def test_records_do_not_change() -> None:
    """Each stage gives a copy; the tree that it was given stays as it was."""
    with pytest.raises(FrozenInstanceError):
        SONG.rate = 48_000  # type: ignore[misc]
    tracks = with_tracks(SONG, 48_000, 480, Path("tracks"))
    assert [mic.track.header.frames for mic in tracks.mics] == [480] * 8
    with pytest.raises(RuntimeError):
        _ = SONG.mics[0].track.header


def test_mics_stand_in_the_recipes_order_and_are_judged_close_mics_first() -> None:
    """Within the close mics and within the rooms the recipe's order stays; so it is in every performance."""
    assert [mic.name for mic in SONG.performances[0].mics] == list(MICS)
    judged = ["sub", "dynamic", "room", "far"]
    assert [mic.name for mic in SONG.performances[1].judged] == judged
    assert [mic.label for mic in SONG.judged] == [f"{p}/{mic}" for p in ("left", "right") for mic in judged]
    assert SONG.reference == "dynamic"


def test_a_room_hears_the_guitar_later_by_what_its_delay_does_not_take_back() -> None:
    """480 samples late, advanced by 200: 280 remain; not known stays not known."""
    found = with_decisions(
        SONG, {"room": {"arrival_samples": 480.0, "delay_samples": 200.0}, "far": {"arrival_samples": None}}
    )
    left = found.performance("left")
    assert [mic.arrival_samples for mic in left.rooms] == [280.0, None]
