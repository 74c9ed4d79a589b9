"""Follow mode: a downward expander whose breakpoints say what a frame-by-frame one would do."""

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from premix.gate import key as key_module
from premix.gate.curves import follow_curve
from premix.gate.key import Key
from premix.model.gate import GateCurve
from premix.model.settings import Gate
from tests.gate.key_material import Levels, drum_bleed, envelopes, hold, mutes, ring, stop

RATE = 48_000
GATE = Gate(mode="follow", ratio=3.0, attack_ms=10.0, hold_ms=20.0, release_ms=200.0, range_db=50.0, lookahead_ms=5.0)


def key_of(folder: Path, parts: list[Levels], **changes: Any) -> Key:
    return Key(envelopes(folder, parts, **changes), np.ones(1), np.zeros(1))


def follow(keys: list[tuple[Key, float]], gate: Gate = GATE, arrival: float = 0.0) -> GateCurve:
    return follow_curve(keys, gate, rate=RATE, frames=keys[0][0].frames * 48, arrival_samples=arrival)


def at_frames(of: GateCurve, frames: int) -> npt.NDArray[np.float64]:
    """Gain at the middle of every control frame."""
    return np.interp(np.arange(frames) * 48 + 24, of.positions, of.gains_db)


def frame_by_frame(key: Key, open_db: float, gate: Gate) -> npt.NDArray[np.float64]:
    """The same expander, one frame after the other: hold, then a rise that starts early, then a limited
    fall."""
    level = np.concatenate([part for _, part in key.chunks(0, 0)])
    wanted = np.clip((gate.ratio - 1.0) * (level - open_db), -gate.range_db, 0.0)
    early, late = round(gate.lookahead_ms), round(gate.hold_ms)
    held = [wanted[max(0, k - late) : k + early + 1].max() for k in range(level.size)]
    rise, fall = gate.range_db / gate.attack_ms, gate.range_db / gate.release_ms
    for k in range(level.size - 2, -1, -1):
        held[k] = max(held[k], held[k + 1] - rise)
    for k in range(1, level.size):
        held[k] = max(held[k], held[k - 1] - fall)
    return np.array(held)


@pytest.mark.parametrize(
    ("below_db", "gain_db"), [(-10.0, 0.0), (0.0, 0.0), (5.0, -10.0), (20.0, -40.0), (40.0, -50.0)]
)
def test_a_steady_key_gives_two_db_for_each_db_below_the_threshold(
    tmp_path: Path, below_db: float, gain_db: float
) -> None:
    """Ratio 3, to the range of 50 dB; 0.01 dB for the float32 of the envelopes."""
    key = key_of(tmp_path, [hold(2.0, -20.0 - below_db)])
    assert at_frames(follow([(key, -20.0)]), key.frames)[500:1500] == pytest.approx(gain_db, abs=0.01)


def test_breakpoints_stay_within_a_tenth_of_a_db_of_the_frame_by_frame_gain(tmp_path: Path) -> None:
    """Mutes, sustains and stops over hiss: 0.1 dB, the thinning's own bound, plus 1e-6 of rounding."""
    parts = [stop(0.3), mutes(1.0, -10.0, 60.0, 0.15), stop(0.2), ring(2.0, -10.0, 15.0), stop(0.5)] * 3
    key = key_of(tmp_path, parts, hiss_db=-50.0)
    expected = frame_by_frame(key, -30.0, GATE)
    # Near the ends the song's mirrored key beyond them counts too.
    got = at_frames(follow([(key, -30.0)]), key.frames)[50:-50]
    assert np.abs(got - expected[50:-50]).max() < 0.1 + 1e-5


def test_it_takes_few_breakpoints(tmp_path: Path) -> None:
    """Less than one for every ten control frames on a riff, four on a minute of sound and half a minute of
    silence."""
    parts = [mutes(1.0, -10.0, 60.0, 0.15), stop(0.2), ring(2.0, -10.0, 15.0), stop(0.5)] * 8
    key = key_of(tmp_path, parts, hiss_db=-50.0)
    assert follow([(key, -30.0)]).positions.size < key.frames / 10
    still = key_of(tmp_path, [hold(60.0, -10.0), stop(30.0)])
    assert follow([(still, -30.0)]).positions.size <= 12


def test_where_the_song_is_cut_into_chunks_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Chunks of 1 s against one of 16 s: the same curve within the 1e-6 dB it is rounded to."""
    parts = [mutes(1.0, -10.0, 60.0, 0.15), stop(0.2), ring(2.0, -10.0, 15.0), stop(0.5)] * 3
    key = key_of(tmp_path, parts, hiss_db=-50.0)
    whole = follow([(key, -30.0)])
    monkeypatch.setattr(key_module, "CHUNK_FRAMES", 1024)
    cut = follow([(key, -30.0)])
    assert at_frames(cut, key.frames) == pytest.approx(at_frames(whole, key.frames), abs=2e-6)


def test_lookahead_and_arrival_shift_the_curve(tmp_path: Path) -> None:
    """A sudden start at 1 s, room 10 ms later: fully open 5 ms before its sound, shut a rise before that. The
    mean of three frames may bring both forward by a frame and a half."""
    key = key_of(tmp_path, [stop(1.0), hold(1.0, -10.0)])
    of = follow([(key, -20.0)], arrival=480.0)
    opened = RATE + 480 - 240
    assert np.interp(opened, of.positions, of.gains_db) == 0.0
    assert np.interp(opened - 72, of.positions, of.gains_db) < -0.5
    assert np.interp(opened - 480 - 72, of.positions, of.gains_db) == -50.0


def test_the_louder_of_several_keys_counts(tmp_path: Path) -> None:
    """One plays in the first second, the other in the second, each above its own threshold: never
    attenuated."""
    first = key_of(tmp_path, [hold(1.0, -10.0), stop(1.0)])
    second = key_of(tmp_path, [stop(1.0), hold(1.0, -40.0)], performance="right")
    both = at_frames(follow([(first, -20.0), (second, -50.0)]), 2000)
    assert both == pytest.approx(0.0, abs=0.1)


def test_inverted_the_room_is_heard_in_the_stops(tmp_path: Path) -> None:
    """The mirrored gain, within the thinning's 0.1 dB either way."""
    key = key_of(tmp_path, [hold(1.0, -10.0), stop(1.0)])
    plain, inverted = follow([(key, -20.0)]), follow([(key, -20.0)], GATE.model_copy(update={"invert": True}))
    assert at_frames(inverted, 2000) == pytest.approx(-50.0 - at_frames(plain, 2000), abs=1e-6)


@pytest.mark.parametrize("changes", [{"range_db": 0.0}, {"ratio": 1.0}])
def test_settings_that_ask_for_nothing_give_0_db(tmp_path: Path, changes: dict[str, float]) -> None:
    """No range, or 1:1."""
    key = key_of(tmp_path, [hold(1.0, -10.0), stop(1.0)])
    assert (follow([(key, -20.0)], GATE.model_copy(update=changes)).gains_db == 0.0).all()


@pytest.mark.parametrize(
    "changes",
    [
        {"attack_ms": 0.0, "release_ms": 0.0, "hold_ms": 0.0, "lookahead_ms": 0.0},
        {"hold_ms": 10_000.0},
        {"attack_ms": 10_000.0},
        {"release_ms": 10_000.0},
    ],
)
def test_extreme_times_give_a_curve(tmp_path: Path, changes: dict[str, float]) -> None:
    """Ramps of one frame, times longer than the song: gains within the range, positions increasing."""
    key = key_of(tmp_path, [mutes(1.0, -10.0, 60.0, 0.15), stop(1.0)], bleed=drum_bleed(2.0, -34.0))
    of = follow([(key, -20.0)], GATE.model_copy(update=changes))
    assert (np.diff(of.positions) > 0).all()
    assert of.gains_db.min() >= -50.0
    assert of.gains_db.max() <= 0.0
