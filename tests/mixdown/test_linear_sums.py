"""Loudness of buses from the stems' and rooms' Gram matrices: the same figures as from the finished files."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from premix.measures.loudness import LoudnessMeter
from premix.pipeline import render
from tests.conftest import Demo

SETTINGS = {
    "house": (),
    "wide, panned, quieter": (
        "guitar_bus.width=1.4",
        "guitar_bus.gain_db=-3",
        "guitar_bus.pan_law_db=-4.5",
        "buses.left.pan=-0.6",
        "buses.right.gain_db=-5",
        "performances.left_a.gain_db=-2",
    ),
    "rooms in the stems": ("deliver.room=stem",),
    "rooms twice": ("deliver.room=both",),
    "other rate": ("deliver.rate=44100",),
    "trimmed": ("deliver.ceiling_dbtp=-25",),
    "no rooms delivered": ("deliver.files=[stems, buses, guitar_bus]",),
    "chain on a bus": ("buses.left.chain=[{high_pass: {cutoff_hz: 90}}]",),
}


@pytest.mark.parametrize("settings", SETTINGS.values(), ids=list(SETTINGS))
def test_every_loudness_is_that_of_the_file(demo: Demo, settings: tuple[str, ...], tmp_path: Path) -> None:
    """Measured again from the files as written: within 0.001 LU (24-bit rounding is far below that)."""
    outcome = render(demo.song.recipe, demo.song.tracks, tmp_path / "out", settings=settings)
    assert len(outcome.rendered.rendering.files) >= 5
    for file in outcome.rendered.rendering.files:
        samples, rate = soundfile.read(tmp_path / "out" / file.path, always_2d=True)
        meter = LoudnessMeter(rate, samples.shape[1])
        meter.feed(np.ascontiguousarray(samples.T))
        measured = meter.values()
        for name, value in measured.items():
            assert getattr(file.measures, name) == pytest.approx(value, abs=0.001), (file.path, name)
