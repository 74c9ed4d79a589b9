"""A track that was exported from another place is found again, and read in step."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from premix.errors import RefusedError
from premix.pipeline import render
from tests.conftest import Demo, RenderedDemo
from tests.rigs.sessions import decided, level_db, read, samples, write_track

LATE_S = 1.3


@pytest.fixture(scope="module")
def late(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """The demo with one ribbon track 1.3 s late: silence before it, its end cut off. Gives tracks and samples."""
    tracks = tmp_path_factory.mktemp("late") / "tracks"
    shutil.copytree(demo.song.tracks, tracks)
    path = tracks / "left_a_ribbon.wav"
    signal = read(path)[0]
    count = round(LATE_S * demo.truth.rate)
    write_track(path, np.concatenate([np.zeros(count), signal[:-count]]), demo.truth.rate)
    return tracks, count


@pytest.fixture(scope="module")
def found(demo: Demo, late: tuple[Path, int], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Rendered with a search of two seconds."""
    out = tmp_path_factory.mktemp("found") / "out"
    render(demo.song.recipe, late[0], out, settings=["alignment.search_ms=2000"])
    return out


def test_track_1_3_s_late_is_found_to_a_tenth_of_a_sample(
    rendered_demo: RenderedDemo, late: tuple[Path, int], found: Path
) -> None:
    """Its delay is what it was plus what was put before it; every other mic's stays."""
    before, after = decided(rendered_demo.out), decided(found)
    for key, decision in before.items():
        moved = late[1] if key == ("left_a", "ribbon") else 0
        assert after[key]["delay_samples"] == pytest.approx(decision["delay_samples"] + moved, abs=0.1), key
        assert after[key]["polarity"] == decision["polarity"]


def test_stem_is_that_of_the_track_in_step(rendered_demo: RenderedDemo, late: tuple[Path, int], found: Path) -> None:
    """Where the late track still has sound, the stem is the stem of the whole demo.

    40 dB under it: a mic moved by a hundredth of a sample leaves -58 dB of its 10 kHz, the sub's narrow band far less.
    """
    end = -late[1] - 480  # its last sounds are not in the file any more
    rest = (samples(found, "stem_left_a") - samples(rendered_demo.out, "stem_left_a"))[0, :end]
    assert level_db(rest) < level_db(samples(found, "stem_left_a")) - 40.0


def test_unasked_it_is_refused_with_its_whole_lateness(
    demo: Demo, late: tuple[Path, int], found: Path, tmp_path: Path
) -> None:
    """One line that names the mic, the milliseconds and the line to write; nothing written. That line, put into the
    recipe, gives what the wide search found."""
    with pytest.raises(RefusedError) as caught:
        render(demo.song.recipe, late[0], tmp_path / "out")
    (problem,) = caught.value.problems
    assert (problem.slug, problem.where) == ("alignment-late", "left_a/ribbon")
    whole = decided(found)["left_a", "ribbon"]["delay_samples"]
    assert f"{1000.0 * whole / demo.truth.rate:.2f} ms late" in problem.what
    assert f"delay: {{samples: {whole:.2f}}}" in problem.what
    assert not (tmp_path / "out").exists()
    line = f"performances.left_a.mics.ribbon.delay={{samples: {whole:.2f}}}"
    render(demo.song.recipe, late[0], tmp_path / "by_hand", settings=[line])
    by_hand = decided(tmp_path / "by_hand")["left_a", "ribbon"]
    assert by_hand["polarity"] == decided(found)["left_a", "ribbon"]["polarity"]
    assert by_hand["delay_samples"] == pytest.approx(whole, abs=0.01)


def test_wide_search_leaves_tracks_in_step_alone(demo: Demo, rendered_demo: RenderedDemo, tmp_path: Path) -> None:
    """Searching two seconds changes no decision of a song whose tracks start together."""
    render(demo.song.recipe, demo.song.tracks, tmp_path / "out", settings=["alignment.search_ms=2000"])
    before, after = decided(rendered_demo.out), decided(tmp_path / "out")
    for key, decision in before.items():
        assert after[key]["polarity"] == decision["polarity"]
        assert after[key]["delay_samples"] == pytest.approx(decision["delay_samples"], abs=0.01)
