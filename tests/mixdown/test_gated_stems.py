"""A gate on the stem: amp hiss goes out of the stops, and the riff stays what it was."""

from pathlib import Path

import numpy as np
import pytest

from premix.arrays import FloatArray
from premix.gate.rooms import decide_gates
from premix.pipeline import prepare
from tests.rigs.mixes import mixed_whole, planned
from tests.rigs.sessions import Song, level_db, riff, rms_db, write_song

RATE, FRAMES = 48_000, 6 * 48_000
RECIPE = """\
format: 1
mics:
  dynamic: {polarity: normal, delay: none}
  ribbon: {polarity: inverted, delay: {samples: 20.4}}
performances: {left: {bus: left}, right: {bus: right}}
"""
STOPS = [slice(round((0.75 * k + 0.66) * RATE), round((0.75 * k + 0.73) * RATE)) for k in range(1, 6)]
RIFFS = [slice(round((0.75 * k + 0.02) * RATE), round((0.75 * k + 0.48) * RATE)) for k in range(1, 6)]


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Half a second on, a quarter off, over hiss; the ribbon mic hears it 20 samples late and upside down."""
    tracks = {}
    for seed, performance in enumerate(("left", "right")):
        heard = riff(seed, FRAMES, peak=0.3)
        tracks[f"{performance}_dynamic"] = heard
        tracks[f"{performance}_ribbon"] = -np.roll(heard, 20)
    return write_song(tmp_path_factory.mktemp("gated_stems"), RECIPE, tracks)


def stems(song: Song, *settings: str) -> dict[str, FloatArray]:
    plan, _ = planned(song, settings)
    return mixed_whole(plan, ("stem_left", "stem_right"))


def test_the_noise_goes_out_of_the_stops_and_the_riff_stays(song: Song) -> None:
    """40 dB of range: the stops 40 dB softer; in the riff not one bit differs; the other stem is as it was."""
    plain, gated = stems(song), stems(song, "performances.left.stem_gate={range_db: 40, hold_ms: 10}")
    for stop, played in zip(STOPS, RIFFS, strict=True):
        before, after = (stem["stem_left"][0] for stem in (plain, gated))
        assert rms_db(after[stop]) - rms_db(before[stop]) == pytest.approx(-40.0, abs=0.5)
        assert level_db(after[played] - before[played]) < -180.0
    np.testing.assert_array_equal(gated["stem_right"], plain["stem_right"])


def test_one_mic_alone_can_be_gated(song: Song) -> None:
    """The sum of both mics' noise loses that of the ribbon: 6 dB, as they hear the same, less what
    0.4 samples of a wrong delay take from the highs of white noise before."""
    plain, gated = stems(song), stems(song, "mics.ribbon.stem_gate={range_db: 60, hold_ms: 10}")
    for stop in STOPS:
        change = rms_db(gated["stem_left"][0][stop]) - rms_db(plain["stem_left"][0][stop])
        assert change == pytest.approx(-5.6, abs=0.5)


@pytest.mark.parametrize("rows", [1, 7])
def test_the_block_size_changes_nothing(song: Song, rows: int) -> None:
    """Bit for bit, with a fractional delay."""
    plan, _ = planned(song, ("performances.left.stem_gate={}",))
    whole, pieces = mixed_whole(plan, ("stem_left",)), mixed_whole(plan, ("stem_left",), rows=rows)
    np.testing.assert_array_equal(whole["stem_left"], pieces["stem_left"])


def test_off_is_off(song: Song, tmp_path: Path) -> None:
    """No curve where nobody asks for one, nor with mode off."""
    for settings in ((), ("performances.left.stem_gate={mode: off}",)):
        with prepare(song.recipe, song.tracks, settings=settings) as ready:
            assert all(mic.stem_curve is None for mic in decide_gates(ready.song).mics)
