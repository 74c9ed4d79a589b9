"""Flipping an input flips the report, never the sound."""

import shutil
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from premix.pipeline import render
from tests.conftest import Demo, RenderedDemo
from tests.rigs.sessions import decided, level_db, parts_of, read, samples, write_track

MICS = ("condenser", "ribbon", "sub", "room")
BOTH = ("left_a", "right_a")


def flipped(demo: Demo, tmp_path: Path, mics: Sequence[str], performances: Sequence[str] = BOTH) -> Path:
    """The demo, rendered with these mics turned upside down."""
    tracks = tmp_path / "tracks"
    shutil.copytree(demo.song.tracks, tracks)
    for path in (tracks / f"{performance}_{mic}.wav" for performance in performances for mic in mics):
        write_track(path, -read(path)[0])
    render(demo.song.recipe, tracks, tmp_path / "out")
    return tmp_path / "out"


def assert_same_sound(out: Path, before: Path, mics: Sequence[str], performances: Sequence[str] = BOTH) -> None:
    """Polarities turned over where the input was, delays kept, every file the same below -120 dB."""
    after = decided(out)
    for (performance, mic), decision in decided(before).items():
        turned = performance in performances and mic in mics
        assert after[performance, mic]["polarity"] == decision["polarity"] * (-1 if turned else 1)
        assert after[performance, mic]["delay_samples"] == pytest.approx(decision["delay_samples"], abs=1e-6)
    for part in parts_of(out):
        assert level_db(samples(out, part) - samples(before, part)) < -120.0, part


@pytest.mark.parametrize("mics", [["condenser"], ["sub"], list(MICS)], ids="+".join)
def test_files_null_when_a_mic_is_flipped(
    demo: Demo, rendered_demo: RenderedDemo, tmp_path: Path, mics: Sequence[str]
) -> None:
    """A mic wired the other way round in every performance; rounding to 24 bits alone leaves -138 dB."""
    assert_same_sound(flipped(demo, tmp_path, mics), rendered_demo.out, mics)


@pytest.mark.parametrize("mic", ["sub", "room"])
def test_files_null_when_one_performances_mic_is_flipped(
    demo: Demo, rendered_demo: RenderedDemo, tmp_path: Path, mic: str
) -> None:
    """A polarity switch pressed between two performances: the mic did not move, so its delay is still shared."""
    assert_same_sound(flipped(demo, tmp_path, [mic], ["left_a"]), rendered_demo.out, [mic], ["left_a"])


def test_flipping_the_reference_turns_its_stems_over(demo: Demo, rendered_demo: RenderedDemo, tmp_path: Path) -> None:
    """The reference is never inverted: all others turn to it, and every file is upside down, else the same."""
    out = flipped(demo, tmp_path, ["dynamic"])
    before, after = decided(rendered_demo.out), decided(out)
    for performance in BOTH:
        assert after[performance, "dynamic"]["polarity"] == 1
        for mic in MICS:
            assert after[performance, mic]["polarity"] == -before[performance, mic]["polarity"]
    for part in parts_of(out):
        assert level_db(samples(out, part) + samples(rendered_demo.out, part)) < -120.0, part
    assert np.max(np.abs(samples(out, "stem_left_a"))) > 0.1
