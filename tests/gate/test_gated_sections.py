"""Takes that one threshold for the whole song fails on: quiet verses beside drums, fades, swells, ghost notes."""

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest

from premix.model.settings import Gate
from tests.gate.gated_riff import compared_riff, envelopes, f_measure
from tests.gate.gated_sections import GatedTake, gate_take, left_db, lost_by_section, times
from tests.rigs.sections import Part, section_take

LOUD, VERSE = Part(2), Part(2, -18.0)
TAKES: dict[str, tuple[Sequence[Part], dict[str, Any]]] = {
    "verse 18 dB down beside drums": ((LOUD, VERSE), {"bleed_db": -25.0}),
    "drums nearly as loud": ((LOUD, VERSE), {"bleed_db": -15.0, "mics": 3}),
    "verse 25 dB down": ((LOUD, Part(2, -25.0)), {}),
    "fade": ((LOUD, Part(0, ending="fade", fade_s=4.0)), {"hiss_db": -60.0, "hum_db": -70.0}),
    "chord that rings out": ((LOUD, Part(0, ending="ring")), {}),
    "swell": ((Part(2, swell_s=0.8),), {"mics": 3}),
    "live room": ((LOUD, Part(2, -12.0)), {"rt_s": 0.8}),
    "drums that reach both mics as the guitar does": (
        (Part(3), Part(3, -18.0), Part(2)),
        {"seed": 2000, "bleed_db": -25.0, "tempo_bpm": 135.21875618031663},
    ),
    "the same drums, nearly as loud": (
        (Part(3), Part(3, -18.0), Part(2)),
        {"seed": 2000, "bleed_db": -15.0, "tempo_bpm": 135.21875618031663},
    ),
    "note under a hit from its start to its stop": (
        (Part(3), Part(3, -18.0), Part(2)),
        {"seed": 20040, "bleed_db": -15.0, "tempo_bpm": 215.44528037554124},
    ),
    "such a note, and a clear one right behind it": (
        (Part(3), Part(3, -18.0), Part(2)),
        {"seed": 2016, "bleed_db": -15.0, "tempo_bpm": 213.67233210417476},
    ),
    "ghost note in the guitar's own tail": (
        (Part(5, events="ghost", event_db=-30.0),),
        {"seed": 5001, "tempo_bpm": 96.25477190887595, "mics": 3},
    ),
}


@lru_cache
def gated(name: str) -> GatedTake:
    parts, settings = TAKES[name]
    with TemporaryDirectory() as folder:
        return gate_take(**{"seed": 2025, "parts": parts, "folder": Path(folder), **settings})


@pytest.mark.parametrize("name", TAKES)
@pytest.mark.parametrize("which", [0, 1], ids=["starts", "stops"])
def test_sharp_starts_and_stops_are_found_within_10_ms(name: str, which: int) -> None:
    """F = 1.00 (mir_eval) for those that are above noise and bleed."""
    true, found = times(gated(name), which)
    assert true.size >= 3
    assert f_measure([(true, found)], 0.010) == 1.0


@pytest.mark.parametrize("name", TAKES)
def test_no_section_loses_its_guitar(name: str) -> None:
    """At most 0.1 dB of the direct sound of the passages of any level; of a fade while it is 6 dB above the noise."""
    assert max(lost_by_section(gated(name))) < 0.1


@pytest.mark.parametrize("name", TAKES)
def test_stops_are_quiet(name: str) -> None:
    """Once hold and release are over, at least 30 dB under the ungated room, drums or not."""
    left = left_db(gated(name))
    assert left
    assert max(db for _, db in left) < -30.0


def test_floor_and_loud_level_go_with_the_sections(tmp_path: Path) -> None:
    """A verse 18 dB down has a loud level 18 dB lower, and a threshold under its own notes that is over its floor."""
    take = section_take(2025, (Part(4), Part(4, -18.0)), bleed_db=-30.0)
    weights = 1.0 / np.sqrt(np.mean(take.close**2, axis=1))
    levels = compared_riff(envelopes(take.close, take.rate, tmp_path), weights, take.delays, Gate()).levels
    assert levels is not None

    def at(values: tuple[float, ...], level_db: float) -> float:
        middle = np.mean([p.on_s for p in take.passages if p.level_db == level_db])
        return float(np.interp(middle, levels.at_s, values))

    assert at(levels.loud_db, -18.0) - at(levels.loud_db, 0.0) == pytest.approx(-18.0, abs=2.0)
    for level_db in (0.0, -18.0):
        assert at(levels.floor_db, level_db) < at(levels.shuts_db, level_db) < at(levels.opens_db, level_db)
        assert at(levels.opens_db, level_db) < at(levels.loud_db, level_db) - 12.0


@pytest.mark.parametrize("events", ["ghost", "scratch"])
def test_ghost_notes_and_scratches_open_if_they_are_asked_for(tmp_path: Path, events: Any) -> None:
    """15 dB under the riff, 30 to 50 ms long, in its stops: shut for the riff, open for all that is guitar."""
    take = section_take(8, (Part(6, events=events, event_db=-15.0),))
    assert len(take.events) >= 2
    keys = envelopes(take.close, take.rate, tmp_path)
    weights = 1.0 / np.sqrt(np.mean(take.close**2, axis=1))

    def opened(gate: Gate) -> int:
        spans = compared_riff(keys, weights, take.delays, gate).spans
        middles = [0.5 * (event.on_s + event.off_s) for event in take.events]
        return sum(any(on <= middle <= off for on, off in spans) for middle in middles)

    assert opened(Gate()) == 0
    assert opened(Gate(open_for="all")) == len(take.events)


def test_drums_open_the_gate_of_mics_that_are_not_compared(tmp_path: Path) -> None:
    """The agreement does it: the level alone of the same take, drums 15 dB down, opens in stops."""
    take = section_take(2025, (LOUD, VERSE), bleed_db=-15.0, mics=3)
    weights = 1.0 / np.sqrt(np.mean(take.close**2, axis=1))
    keys = envelopes(take.close, take.rate, tmp_path)
    alone = compared_riff(envelopes(take.close[:1], take.rate, tmp_path, "alone"), weights[:1], take.delays[:1], Gate())
    starts = np.array([passage.on_s for passage in take.passages if passage.level_db == 0.0])

    def hits(spans: Sequence[tuple[float, float]]) -> float:
        found = np.array([on for on, _ in spans if on < starts[-1] + 0.1])
        return f_measure([(starts, found)], 0.010)

    assert hits(compared_riff(keys, weights, take.delays, Gate()).spans) == 1.0
    assert hits(alone.spans) < 0.9


def test_mics_that_never_agree_are_judged_by_their_level(tmp_path: Path) -> None:
    """Two takes of noise that have nothing to do with each other, started and stopped together."""
    rng = np.random.default_rng(4)
    on = np.repeat([0.001, 1.0, 0.001, 1.0, 0.001], 24_000)
    keys = envelopes(on * rng.standard_normal((2, on.size)), 48_000, tmp_path)
    spans = compared_riff(keys, np.ones(2), np.zeros(2), Gate()).spans
    assert np.array(spans) == pytest.approx(np.array([(0.5, 1.0), (1.5, 2.0)]), abs=0.01)
