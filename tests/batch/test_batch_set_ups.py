"""What a batch tells of the set-up over its songs: each kind of change by its name, and limits that it breaks."""

from collections.abc import Mapping
from dataclasses import replace

import pytest

from premix.batch.album import beyond_limits, differences
from premix.measures.drift import Drift, drift_of
from premix.model.settings import Limits
from tests.rigs.prints import RIG, Placed, setup_of

SWAPPED = {**RIG, "condenser": RIG["ribbon"], "ribbon": RIG["condenser"]}
CHANGES: dict[str, tuple[Mapping[str, Placed], float]] = {
    "batch-mic-moved": ({**RIG, "ribbon": replace(RIG["ribbon"], path_mm=296.0)}, 20.0),
    "batch-level-drifted": ({**RIG, "ribbon": replace(RIG["ribbon"], level_db=-5.5)}, 20.0),
    "batch-polarity-changed": ({**RIG, "ribbon": replace(RIG["ribbon"], polarity=1)}, 20.0),
    "batch-colour-changed": ({**RIG, "condenser": replace(RIG["condenser"], top_db=-5.0)}, 20.0),
    "batch-names-swapped": (SWAPPED, 20.0),
    "batch-air-changed": (RIG, 31.0),
}


def album(mics: Mapping[str, Placed], temperature_c: float = 20.0) -> Drift:
    """Three songs; the last is the other one."""
    songs = [("one", setup_of(seed=1)), ("two", setup_of(seed=2))]
    drift = drift_of([*songs, ("three", setup_of(mics, 3, temperature_c=temperature_c))])
    assert drift is not None
    return drift


@pytest.mark.parametrize("slug", CHANGES)
def test_each_kind_of_change_is_told_by_its_name(slug: str) -> None:
    mics, temperature_c = CHANGES[slug]
    (difference,) = differences([], [album(mics, temperature_c)])
    assert (difference.song, difference.slug) == ("three", slug)
    finding = difference.finding()
    assert finding.severity == ("info" if slug == "batch-air-changed" else "warning")
    assert finding.message == difference.here


def test_nothing_is_told_of_steady_songs() -> None:
    assert differences([], [album(RIG)]) == ()


@pytest.mark.parametrize(("limit", "holds", "breaks"), [("setup_moved_mm", 6.5, 5.5), ("setup_level_db", 1.7, 1.3)])
def test_limits_of_the_set_up_break_the_song(limit: str, holds: float, breaks: float) -> None:
    """Of 6 mm, and of 1.5 dB, against the album's first song."""
    changed = replace(RIG["ribbon"], path_mm=296.0, level_db=-5.5)
    drift = album({**RIG, "ribbon": changed})
    assert beyond_limits([drift], Limits.model_validate({limit: holds})) == {}
    found = beyond_limits([drift], Limits.model_validate({limit: breaks}))
    assert {song: [(f.severity, f.subject) for f in own] for song, own in found.items()} == {
        "three": [("error", "ribbon")]
    }
