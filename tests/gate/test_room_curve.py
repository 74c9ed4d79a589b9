"""The room's gate curve: open before the riff, shut after it, straight in dB, with every odd setting
defined."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from premix.audio.gains import curve_gain
from premix.gate.curves import open_spans, room_curve
from premix.model.gate import Curve, GateCurve, Span
from premix.model.settings import Gate

RATE = 48_000
SONG = 10 * RATE
GATE = Gate(attack_ms=10.0, hold_ms=40.0, release_ms=60.0, range_db=60.0, lookahead_ms=5.0)


def curve(spans: list[Span], gate: Gate = GATE, arrival: float = 0.0, frames: int = SONG) -> Curve:
    return room_curve(spans, gate, rate=RATE, frames=frames, arrival_samples=arrival)


def gain_db(of: Curve, seconds: float) -> float:
    return float(np.interp(seconds * RATE, of.positions, of.gains_db))


def points(of: Curve) -> list[tuple[int, float]]:
    return list(zip(of.positions.tolist(), of.gains_db.tolist(), strict=True))


def test_one_passage_opens_before_its_room_sound_and_shuts_after_it() -> None:
    """On 1 s, off 2 s, room 10 ms later: every corner to the sample."""
    assert points(curve([(1.0, 2.0)], arrival=480.0)) == [
        (0, -60.0),
        (48_480 - 240 - 480, -60.0),  # arrival - lookahead - attack
        (48_480 - 240, 0.0),  # arrival - lookahead
        (96_480 + 1920, 0.0),  # arrival + hold
        (96_480 + 1920 + 2880, -60.0),  # + release
        (SONG - 1, -60.0),
    ]


def test_fractions_of_a_sample_never_open_late_or_shut_early() -> None:
    """An arrival of 480.5 samples: the opening is rounded down, the shutting up."""
    positions = curve([(1.0, 2.0)], arrival=480.5).positions
    assert positions[2] == 48_480 - 240
    assert positions[3] == 96_481 + 1920


def test_a_stop_shorter_than_the_hold_stays_open() -> None:
    """40 ms of hold and 5 ms of lookahead bridge 40 ms."""
    both = curve([(1.0, 2.0), (2.04, 3.0)])
    assert points(both) == points(curve([(1.0, 3.0)]))


def test_a_passage_that_starts_while_the_gate_shuts_takes_it_up_from_where_it_is() -> None:
    """60 ms of stop: the release has run for 15 ms less the attack's share when it turns; no jump
    anywhere."""
    both = curve([(1.0, 2.0), (2.06, 3.0)])
    assert both.positions.size == 9
    corner = both.positions[4], both.gains_db[4]
    opens, shuts = round(2.06 * RATE) - 240, 2 * RATE + 1920
    assert shuts < corner[0] < opens
    assert corner[1] == pytest.approx(-60.0 * (corner[0] - shuts) / 2880, abs=0.02)  # half a sample of either ramp
    assert corner[1] == pytest.approx(-60.0 * (opens - corner[0]) / 480, abs=0.1)
    assert gain_db(both, opens / RATE) == 0.0


def test_inverted_it_is_open_where_it_was_shut() -> None:
    """The mirrored curve: the same corners, 0 for -60 dB."""
    plain, inverted = curve([(1.0, 2.0)]), curve([(1.0, 2.0)], GATE.model_copy(update={"invert": True}))
    assert np.array_equal(plain.positions, inverted.positions)
    assert np.array_equal(plain.gains_db, -60.0 - inverted.gains_db)


def test_the_range_is_the_closed_gain() -> None:
    """12 dB of range: never below -12."""
    assert curve([(1.0, 2.0)], GATE.model_copy(update={"range_db": 12.0})).gains_db.min() == -12.0


@pytest.mark.parametrize("invert", [False, True])
def test_a_range_of_0_db_does_nothing(invert: bool) -> None:
    """A flat 0 dB, inverted or not."""
    flat = curve([(1.0, 2.0)], GATE.model_copy(update={"range_db": 0.0, "invert": invert}))
    assert points(flat) == [(0, 0.0)]


@pytest.mark.parametrize(("invert", "gain"), [(False, -60.0), (True, 0.0)])
def test_without_a_passage_it_stays_shut(invert: bool, gain: float) -> None:
    """Or open, inverted."""
    assert points(curve([], GATE.model_copy(update={"invert": invert}))) == [(0, gain)]


def test_a_song_that_starts_and_ends_playing_is_open_at_both_ends() -> None:
    """Ramps before the first and after the last sample are cut away."""
    assert points(curve([(0.0, SONG / RATE)])) == [(0, 0.0), (SONG - 1, 0.0)]


def test_a_ramp_over_the_start_of_the_song_is_cut_where_it_is() -> None:
    """On at 10 ms: open from 5 ms on, and half-way up the 10 ms ramp at the first sample."""
    assert points(curve([(0.010, 2.0)]))[:2] == [(0, -30.0), (240, 0.0)]


@pytest.mark.parametrize("invert", [False, True])
def test_a_short_ramp_has_its_corner_at_0_db_rounded(invert: bool) -> None:
    """2 ms: it starts and ends where a straight one would, rises all the way, and comes in to 0 dB at a twentieth of a
    straight ramp's slope; in its other half it is a third faster."""
    of = curve([(1.0, 2.0)], GATE.model_copy(update={"attack_ms": 2.0, "invert": invert}))
    opens = 48_000 - 240
    ramp = (of.positions >= opens - 96) & (of.positions <= opens)
    at, gain = of.positions[ramp], of.gains_db[ramp]
    assert (at[0], at[-1]) == (opens - 96, opens)
    assert (gain[0], gain[-1]) == ((0.0, -60.0) if invert else (-60.0, 0.0))
    slopes = np.abs(np.diff(gain) / np.diff(at)) / (60.0 / 96)
    assert slopes.max() == pytest.approx(4 / 3, abs=1e-9)
    assert slopes[0 if invert else -1] < 0.05
    assert (np.diff(gain) < 0).all() if invert else (np.diff(gain) > 0).all()


def test_a_hold_longer_than_the_song_never_shuts() -> None:
    """10 s of hold in a song of 3 s."""
    held = curve([(0.0, 0.5), (1.0, 1.5)], GATE.model_copy(update={"hold_ms": 10_000.0}), frames=3 * RATE)
    assert (held.gains_db == 0.0).all()


def test_without_attack_and_release_the_ramps_are_one_sample_long() -> None:
    """0 ms is as steep as samples allow, and still a curve with increasing positions."""
    gate = GATE.model_copy(update={"attack_ms": 0.0, "release_ms": 0.0, "hold_ms": 0.0, "lookahead_ms": 0.0})
    assert points(curve([(1.0, 2.0)], gate))[1:5] == [(47_999, -60.0), (48_000, 0.0), (96_000, 0.0), (96_001, -60.0)]


def test_a_song_of_one_sample_has_a_curve() -> None:
    """Shorter than any ramp."""
    assert points(curve([(0.0, 1 / RATE)], frames=1)) == [(0, 0.0)]


def test_open_spans_are_where_it_is_not_fully_shut() -> None:
    """From the start of the opening ramp to the end of the closing one."""
    (span,) = open_spans(curve([(1.0, 2.0)]), GATE, rate=RATE, frames=SONG)
    assert span == pytest.approx((1.0 - 0.015, 2.0 + 0.1), abs=1e-9)
    assert open_spans(curve([]), GATE, rate=RATE, frames=SONG) == ()
    no_range = GATE.model_copy(update={"range_db": 0.0})
    assert open_spans(curve([], no_range), no_range, rate=RATE, frames=SONG) == ((0.0, 10.0),)


MS = st.floats(0.0, 500.0)


@settings(max_examples=150, deadline=None)
@given(
    edges=st.lists(st.floats(0.0, 10.0), min_size=2, max_size=20, unique=True),
    attack=MS,
    hold=MS,
    release=MS,
    range_db=st.floats(0.1, 140.0),
    lookahead=st.floats(0.0, 200.0),
    arrival=st.floats(-2000.0, 9000.0),
)
def test_any_gate_is_open_in_every_passage_and_one_slope_at_a_time(
    edges: list[float], attack: float, hold: float, release: float, range_db: float, lookahead: float, arrival: float
) -> None:
    """Positions increase, gains stay in range, the room is fully open from first to last direct sound, and no
    ramp is steeper than its time and its round corner say (1.5 samples of rounding at either end)."""
    spans = [(a, b) for a, b in zip(sorted(edges)[::2], sorted(edges)[1::2], strict=False)]
    gate = Gate(attack_ms=attack, hold_ms=hold, release_ms=release, range_db=range_db, lookahead_ms=lookahead)
    of = curve(spans, gate, arrival)
    assert (np.diff(of.positions) > 0).all()
    assert of.positions[0] >= 0
    assert of.positions[-1] < SONG
    assert (-range_db <= of.gains_db).all()
    assert (of.gains_db <= 0.0).all()
    for on, off in spans:
        inside = np.linspace(on * RATE + arrival, off * RATE + arrival, 7)
        inside = inside[(inside >= 0) & (inside < SONG)]
        assert (np.interp(inside, of.positions, of.gains_db) == 0.0).all()
    steps, moves = np.diff(of.positions), np.diff(of.gains_db)
    up, down = attack * RATE / 1000, release * RATE / 1000
    assert (moves[moves > 0] / range_db * max(1.0, up) <= steps[moves > 0] * 4 / 3 + 3.0).all()
    assert (-moves[moves < 0] / range_db * max(1.0, down) <= steps[moves < 0] * 4 / 3 + 3.0).all()


@pytest.mark.parametrize("invert", [False, True])
@pytest.mark.parametrize(("attack", "release"), [(2.0, 150.0), (150.0, 12.0)])
@pytest.mark.parametrize("size", [97, 4_801])
def test_a_stretch_of_the_curve_has_the_gains_of_the_whole(
    size: int, attack: float, release: float, invert: bool
) -> None:
    """Ramps that cross the edge of a stretch, or meet before they have shut, included: equal to the last bit."""
    gate = GATE.model_copy(update={"attack_ms": attack, "release_ms": release, "hold_ms": 0.0, "invert": invert})
    edges = np.sort(np.random.default_rng(7).uniform(0.0, SONG / RATE, 60)).tolist()
    of = curve(list(zip(edges[::2], edges[1::2], strict=True)), gate, 37.5)
    whole = GateCurve(of.positions, of.gains_db)
    assert whole.positions.size > 4 * of.between(SONG // 2, SONG // 2 + size).positions.size
    for start in range(0, SONG, size):
        ours, expected = np.zeros(size), np.zeros(size)
        assert curve_gain(of, start, ours) == curve_gain(whole, start, expected)
        np.testing.assert_array_equal(ours, expected)
