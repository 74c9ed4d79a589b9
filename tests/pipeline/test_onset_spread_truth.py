"""Onset spread of a doubled part in a whole run, against the times at which it was really played."""

import mir_eval
import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from premix.arrays import FloatArray
from premix.pipeline import render
from tests.rigs.sessions import Song, manifest_of, on_grid, samples, write_song

RATE, PASSAGES = 48_000, 24
RECIPE = """\
format: 1
mics: {dynamic: {polarity: normal, delay: none}}
performances: {left: {bus: left}, right: {bus: right}}
"""


Doubled = tuple[Song, FloatArray, FloatArray, dict[str, FloatArray]]
"""The song, its true starts left and right in seconds, its takes."""


def played(starts_s: FloatArray, seed: int) -> FloatArray:
    """Noise of a guitar's band, 0.4 s from each start on, with a soft hiss between."""
    rng, frames = np.random.default_rng(seed), round((0.8 * PASSAGES + 1.0) * RATE)
    sound = sosfilt(butter(2, [80.0, 5000.0], "band", fs=RATE, output="sos"), rng.standard_normal(frames))
    gate = np.zeros(frames)
    for start in starts_s:
        gate[round(start * RATE) : round((start + 0.4) * RATE)] = 1.0
    return on_grid(0.2 * sound * gate + 3e-5 * rng.standard_normal(frames))


@pytest.fixture(scope="module")
def doubled(tmp_path_factory: pytest.TempPathFactory) -> Doubled:
    """One part twice, the second time early or late by 8 ms of spread; one passage is missed by more than 50 ms."""
    rng = np.random.default_rng(5)
    left = 0.5 + 0.8 * np.arange(PASSAGES) + rng.normal(0.0, 0.003, PASSAGES)
    right = left + rng.normal(0.004, 0.008, PASSAGES)
    right[10] += 0.15
    takes = {"left_dynamic": played(left, 1), "right_dynamic": played(right, 2)}
    song = write_song(tmp_path_factory.mktemp("doubled"), RECIPE, takes)
    render(song.recipe, song.tracks, song.out())
    return song, left, right, takes


def test_spread_is_that_of_the_playing(doubled: Doubled) -> None:
    """Onsets matched by mir_eval from the true times; 1 ms: a control frame."""
    song, left, right, _ = doubled
    (found,) = manifest_of(song.out())["onset_spread"]
    matched = mir_eval.util.match_events(left, right, 0.05)
    late_ms = np.array([1000.0 * (right[b] - left[a]) for a, b in matched])
    assert len(matched) == PASSAGES - 1
    assert (found["onsets_a"], found["onsets_b"], found["matched"]) == (PASSAGES, PASSAGES, len(matched))
    assert found["median_ms"] == pytest.approx(np.median(np.abs(late_ms)), abs=1.0)
    assert found["p90_ms"] == pytest.approx(np.percentile(np.abs(late_ms), 90), abs=1.0)
    assert found["offset_ms"] == pytest.approx(np.median(late_ms), abs=1.0)


def test_performances_are_not_moved(doubled: Doubled) -> None:
    """However far apart: each stem is its track, bit for bit."""
    song, _, _, takes = doubled
    for name in ("left", "right"):
        np.testing.assert_array_equal(samples(song.out(), f"stem_{name}")[0], takes[f"{name}_dynamic"])
