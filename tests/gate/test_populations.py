"""What tells playing from not playing: sudden falls against slow ones, a floor of hiss beside digital silence; and the
curve that follows across the pieces in which the key is read."""

from pathlib import Path

import numpy as np
import pytest

from premix.arrays import FloatArray
from premix.gate.curves import follow_curve
from premix.gate.key import CHUNK_FRAMES, Key
from premix.gate.threshold import find_populations
from premix.model.settings import Gate
from tests.rigs.songs import keys_of


def key_of(levels_db: FloatArray, folder: Path) -> Key:
    """The key of one mic from a level a millisecond; below -200 dB there is nothing."""
    power = np.where(levels_db > -200.0, 10.0 ** (levels_db / 10.0), 0.0)
    return Key(keys_of("left", power[None], ["dynamic"], folder), np.ones(1), np.zeros(1))


@pytest.mark.parametrize(("db_per_ms", "sudden"), [(1.0, True), (0.3, False)])
def test_falls_are_sudden_by_what_lies_before_and_after(db_per_ms: float, sudden: bool, tmp_path: Path) -> None:
    """A hand damps by more than 0.6 dB/ms, rooms and notes die away by less: twenty stops of either, 30 dB deep."""
    fall = -20.0 - np.arange(0.0, 30.0, db_per_ms)
    stop = np.concatenate([np.full(400, -20.0), fall, np.full(300, -50.0)])
    found = find_populations(key_of(np.tile(stop, 20), tmp_path))
    assert found.falls == 20
    assert found.sudden == (20 if sudden else 0)


def test_digital_silence_is_no_noise_floor(tmp_path: Path) -> None:
    """Takes whose stops an editor cut to nothing after a while of hiss: the threshold stays above the hiss, which a cut
    leaves as suddenly as a hand stops the strings."""
    hiss = -65.0 + np.random.default_rng(2).normal(0.0, 0.7, 300)
    stop = np.concatenate([np.full(400, -20.0), hiss, np.full(300, -400.0)])
    found = find_populations(key_of(np.tile(stop, 20), tmp_path))
    assert found.loud_db == pytest.approx(-20.0, abs=0.5)
    assert found.loud_db + found.split_db > -65.0


def test_a_release_goes_on_across_the_pieces_of_a_song(tmp_path: Path) -> None:
    """The key stops a tenth of a second before a piece ends: the gain sinks 50 dB in half a second, in the next piece
    as in the one before, never faster."""
    levels_db = np.full(CHUNK_FRAMES + 4000, -20.0)
    levels_db[CHUNK_FRAMES - 100 :] = -90.0
    gate = Gate(mode="follow", ratio=3.0, attack_ms=5.0, hold_ms=0.0, release_ms=500.0, range_db=50.0, lookahead_ms=0.0)
    key = key_of(levels_db, tmp_path)
    curve = follow_curve([(key, -30.0)], gate, rate=48000, frames=key.frames * 48, arrival_samples=0.0)
    gains_db = np.interp(np.arange(key.frames) * 48 + 24, curve.positions, curve.gains_db)
    assert np.diff(gains_db).min() >= -0.1 - 0.1  # 0.1 dB a millisecond, and what the straight lines may miss
    assert gains_db[CHUNK_FRAMES + 50] == pytest.approx(-15.0, abs=4.0)
