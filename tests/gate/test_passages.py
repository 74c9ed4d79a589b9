"""Edges of played passages beside hits and hands, on levels that are written down: what is bleed is known."""

from pathlib import Path

import numpy as np
import pytest

from premix.gate.key import Key
from premix.gate.passages import Levels, Passage, PassageFinder
from tests.gate.key_material import Levels as Level
from tests.gate.key_material import envelopes, hold, ring

FLOOR_DB, OPENS_DB, SHUTS_DB = -40.0, -34.0, -37.0


def passages_of(folder: Path, parts: list[Level], bleed: list[tuple[int, int]] | None = None) -> list[Passage]:
    """Passages in a key of these parts, one value a millisecond. bleed: first and last millisecond of each."""
    key = np.concatenate(parts)
    clean = key.copy()
    for first, last in bleed or []:
        clean[first:last] = np.minimum(clean[first:last], FLOOR_DB)
    finder = PassageFinder(Key(envelopes(folder, parts), np.ones(1), np.zeros(1)))
    key, clean = (np.pad(x, (finder.before, finder.after), mode="edge") for x in (key, clean))
    levels = Levels(0, key, clean, np.full(key.size, OPENS_DB), np.full(key.size, SHUTS_DB))
    return [*finder.feed(levels), *finder.finish()]


def passage_of(folder: Path, parts: list[Level], bleed: list[tuple[int, int]] | None = None) -> tuple[int, int]:
    """Start and stop of the only one, in milliseconds."""
    (passage,) = passages_of(folder, parts, bleed)
    return passage.on, passage.off


@pytest.mark.parametrize("hit_ms", [7, 9, 40])
@pytest.mark.parametrize("over_db", [3.0, 7.0])
def test_a_guitar_that_rises_out_of_a_hit_starts_there(tmp_path: Path, hit_ms: int, over_db: float) -> None:
    """A hit begins 7, 9, 40 ms ahead of it, and is 3 or 7 dB softer."""
    parts = [hold(0.3, FLOOR_DB), hold(hit_ms / 1000, -6.0 - over_db), hold(0.3, -6.0), hold(0.3, FLOOR_DB)]
    on, _ = passage_of(tmp_path, parts, [(300, 300 + hit_ms)])
    assert on == pytest.approx(300 + hit_ms, abs=1)


def test_a_start_that_was_taken_for_bleed_is_not_lost(tmp_path: Path) -> None:
    """Bleed is told frame by frame of 8 ms: the first of a start may count as bleed. Nothing is heard ahead of it."""
    on, _ = passage_of(tmp_path, [hold(0.3, FLOOR_DB), hold(0.3, -6.0), hold(0.3, FLOOR_DB)], [(296, 304)])
    assert on == pytest.approx(300, abs=1)


@pytest.mark.parametrize("under_db", [5.0, 9.0])
@pytest.mark.parametrize("late_ms", [0, 6])
def test_a_stop_that_a_hit_follows_is_where_the_guitar_falls(tmp_path: Path, under_db: float, late_ms: int) -> None:
    """A hit sounds on for 20 ms, 5 or 9 dB under the guitar, and is told with the stop or 6 ms later."""
    parts = [hold(0.3, FLOOR_DB), hold(0.3, -6.0), hold(0.02, -6.0 - under_db), hold(0.3, FLOOR_DB)]
    _, off = passage_of(tmp_path, parts, [(600 + late_ms, 620)])
    assert off == pytest.approx(600, abs=1)


@pytest.mark.parametrize("fall_db_per_s", [450.0, 520.0])
def test_a_note_that_dies_away_stops_with_the_hand(tmp_path: Path, fall_db_per_s: float) -> None:
    """It falls by 0.45 or 0.52 dB/ms for 60 ms, and then by 4: the hand is what is sudden."""
    note = ring(0.06, -3.0, fall_db_per_s)
    hand = np.maximum(note[-1] - 4.0 * np.arange(1, 31), -72.0)
    parts = [hold(0.3, -72.0), hold(0.2, -3.0), note, hand, hold(0.3, -72.0)]
    _, off = passage_of(tmp_path, parts)
    assert off == pytest.approx(560, abs=4)


def test_a_hand_on_a_note_that_nearly_reached_the_floor_stops_it(tmp_path: Path) -> None:
    """What is left of the note falls by 5 dB at once: a mute would sink slowly, and go on with the next note."""
    hand = passages_of(tmp_path, [hold(0.3, FLOOR_DB), ring(0.5, -6.0, 58.0), hold(0.3, FLOOR_DB)])
    mute = passages_of(tmp_path, [hold(0.3, FLOOR_DB), ring(0.5, -6.0, 68.0), hold(0.3, FLOOR_DB)])
    assert [passage.muted for passage in hand + mute] == [False, True]
