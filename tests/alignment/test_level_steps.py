"""A preamp that is touched inside a song is told with its size and its error; notes that change are not."""

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from premix.alignment.level_steps import LevelStep, level_steps, step_findings
from premix.pipeline import prepare
from tests.rigs.cabinets import random_cabinet
from tests.rigs.faults import shifted, spliced
from tests.rigs.sessions import write_song

RATE, SECONDS = 48000, 16.0
FloatArray = npt.NDArray[np.float64]
STARTS_S: FloatArray = np.arange(12, dtype=np.float64) * 1.3


def noise(seed: int, db: float = 0.03) -> FloatArray:
    return db * np.random.default_rng(seed).standard_normal(12)


def test_a_step_has_its_place_and_its_size() -> None:
    """From the ninth stretch on, which begins at 10.4 s."""
    (step,) = level_steps({"ribbon": noise(1) - 1.5 * (np.arange(12) >= 8)}, {"ribbon": "close"}, STARTS_S)
    assert step.at_s == pytest.approx(10.4)
    assert abs(step.db + 1.5) < step.within_db < 0.6


def test_steady_levels_have_none() -> None:
    """500 songs whose stretches scatter by 0.03 dB, and 500 that scatter by 0.5: what the scatter explains is none."""
    for seed in range(500):
        for db in (0.03, 0.5):
            assert level_steps({"ribbon": noise(seed, db)}, {"ribbon": "close"}, STARTS_S) == []


def test_a_mic_that_is_gone_and_a_short_song_are_told_elsewhere() -> None:
    gone: FloatArray = np.where(np.arange(12) >= 6, -40.0, 0.0)
    assert level_steps({"ribbon": gone}, {"ribbon": "close"}, STARTS_S) == []
    assert level_steps({"ribbon": gone[4:8]}, {"ribbon": "close"}, STARTS_S[:4]) == []


def test_all_at_once_are_the_reference() -> None:
    steps = [LevelStep("ribbon", 5.2, 1.0, 0.3), LevelStep("condenser", 5.2, 1.1, 0.3)]
    (told,) = step_findings("left", "dynamic", steps, 2, frozenset())
    assert (told.subject, told.slug) == ("left/dynamic", "alignment-dropout")
    assert told.message.startswith("softer by 1.1 ± 0.3 dB against the other mics from 0:05.20 on")
    assert list(step_findings("left", "dynamic", steps, 3, frozenset({"left/ribbon", "left/condenser"}))) == []


@pytest.mark.parametrize(("change", "slugs"), [("none", []), ("preamp", ["dropout"]), ("shoved", ["jump"])])
def test_in_a_simulated_room(change: str, slugs: list[str], tmp_path: Path) -> None:
    """pyroomacoustics (Scheibler, Bezzam & Dokmanic, ICASSP 2018): a preamp 1.5 dB down, and a mic that was shoved
    by 8 mm of path, 1 dB softer."""
    rig = random_cabinet(4, seconds=SECONDS, room=True, via="pyroomacoustics")
    signals, at = dict(zip(rig.names, rig.signals * 0.5 / np.abs(rig.signals).max(), strict=True)), 9 * RATE
    ribbon = signals["ribbon"]
    if change == "preamp":
        signals["ribbon"] = spliced(ribbon, 10 ** (-1.5 / 20) * ribbon, at, 0)
    if change == "shoved":
        signals["ribbon"] = spliced(ribbon, 10 ** (-1.0 / 20) * shifted(ribbon, 8.0 / 343.2 * RATE / 1000), at, 0)
    mics = ", ".join(f"{mic.name}: {{role: {mic.role}}}" for mic in rig.mics)
    recipe = f"format: 1\nmics: {{{mics}}}\nperformances: {{left: {{bus: left}}}}\n"
    song = write_song(tmp_path, recipe, {f"left_{name}": signal for name, signal in signals.items()})
    with prepare(song.recipe, song.tracks) as prepared:
        told = [finding for finding in prepared.song.findings if finding.slug.startswith("alignment-")]
    assert [finding.slug for finding in told] == [f"alignment-{slug}" for slug in slugs]
    assert all(finding.subject == "left/ribbon" for finding in told)
    if change == "preamp":
        assert "softer by 1.5 ± " in told[0].message
