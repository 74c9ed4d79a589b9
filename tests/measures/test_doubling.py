"""Doubled performances: spread of onsets, and one take used twice."""

import pickle

import mir_eval
import numpy as np
import pytest

from premix.demo.playing import perform, play
from premix.demo.rig import amplify
from premix.measures.doubling import TakeCorrelation, match_onsets, onset_spread, same_take_findings
from premix.messages import REMEDIES
from premix.model.mix import OnsetSpread, TakePair
from tests.measures.signals import RATE, FloatArray, feed_in_pieces, riff_noise
from tests.rigs.cabinets import random_cabinet


def test_the_spread_is_that_of_the_matched_onsets() -> None:
    """Differences of -10, 0, 4, 20 and 30 ms: median of |d| 10, 90 % at 26 (linear between 20 and 30)."""
    a = np.arange(5) * 1.0
    b = a + np.array([-10, 0, 4, 20, 30]) / 1000.0
    found = onset_spread(list(a), list(b), "left_a", "left_b")
    assert (found.performance_a, found.performance_b, found.matched) == ("left_a", "left_b", 5)
    assert found.median_ms == pytest.approx(10.0, abs=1e-9)
    assert found.p90_ms == pytest.approx(26.0, abs=1e-9)
    assert found.offset_ms == pytest.approx(4.0, abs=1e-9)


def test_onsets_beyond_the_window_stay_alone() -> None:
    """50.1 ms is no match, 49.9 ms is; an extra onset changes no figure."""
    found = onset_spread([1.0, 2.0, 3.0], [1.0499, 2.0501, 7.0])
    assert (found.onsets_a, found.onsets_b, found.matched) == (3, 3, 1)
    assert found.median_ms == pytest.approx(49.9, abs=1e-9)


def test_the_closest_onsets_belong_together() -> None:
    """An early ghost note does not take the partner of the real one; order of input does not matter."""
    assert match_onsets([2.0, 1.0, 1.04], [1.042, 2.001]) == [(1.04, 1.042), (2.0, 2.001)]


def test_no_onsets_have_no_spread() -> None:
    """None where nothing matches."""
    assert onset_spread([], [1.0]) == OnsetSpread("a", "b", 0, 1, 0, None, None, None)


def test_matching_agrees_with_the_onset_evaluation_of_mir_eval() -> None:
    """Onsets 120 ms apart or more have one possible partner: as many matches as mir_eval's optimum."""
    rng = np.random.default_rng(60)
    a = np.cumsum(0.12 + rng.random(200))
    b = np.sort((a + rng.normal(0.0, 0.025, 200))[rng.random(200) > 0.1])
    precision = mir_eval.onset.f_measure(a, b, window=0.05)[1]
    assert len(match_onsets(list(a), list(b))) == round(precision * len(b))


def takes(names: tuple[str, ...], stems: FloatArray) -> TakeCorrelation:
    correlation = TakeCorrelation(names, RATE)
    feed_in_pieces(correlation, stems, (57_600, 4_096))
    return correlation


def test_one_take_on_both_sides_is_found_late_soft_inverted_and_noisy() -> None:
    """A copy 20 ms late, at -12 dB, inverted, noise 20 dB under it: |rho| 1/sqrt(1.01) = 0.995, flagged."""
    left, centre = riff_noise(6.0, seed=61, channels=2)
    copy = -0.25 * np.roll(left, round(0.02 * RATE))
    copy += 0.1 * np.std(copy) * np.random.default_rng(62).standard_normal(len(copy))
    pairs = takes(("left", "centre", "right"), np.stack((left, centre, copy))).pairs()
    by_name = {(pair.performance_a, pair.performance_b): pair for pair in pairs}
    assert set(by_name) == {("left", "centre"), ("left", "right"), ("centre", "right")}
    same = by_name["left", "right"]
    assert same.correlation == pytest.approx(-0.995, abs=0.01)  # fewer than 30 frames of noise, up to 5 kHz
    assert same.lag_ms == pytest.approx(20.0, abs=1e-9)
    findings = same_take_findings(pairs)
    assert [finding.subject for finding in findings] == ["left, right"]
    assert findings[0].slug in REMEDIES and "-1.00" in findings[0].message


def two_amps(seed: int, late_samples: int, polarity: int) -> FloatArray:
    """One guitar through two amps and two cabinets (other drive, other mics, 12 s): two stems."""
    rng = np.random.default_rng([seed, 5])
    guitar = play(perform(12.0, rng), round(12.0 * RATE), RATE, rng)
    stems = []
    for drive_db, set_up in ((0.0, seed + 10), (-4.0, seed + 50)):
        source = amplify(guitar, RATE, drive_db=drive_db)
        stems.append(random_cabinet(set_up, rate=RATE, source=source, n_close=2, sub=False).signals[0])
    return np.stack((stems[0], polarity * np.roll(stems[1], late_samples)))


@pytest.mark.parametrize(("seed", "late_samples", "polarity"), [(1, 60, -1), (2, -90, 1), (3, 60, 1)])
def test_two_amps_of_one_take_are_told_with_polarity_and_lag(seed: int, late_samples: int, polarity: int) -> None:
    """Their correlation may be under 0.9, as amps and cabinets turn the phase; their coherence is far above chance.

    The lag is that of the files within 1 ms (the cabinets' mics stand some cm apart).
    """
    (pair,) = takes(("left", "right"), two_amps(seed, late_samples, polarity)).pairs()
    assert pair.same_take
    assert pair.coherence is not None and pair.coherence > 0.6
    assert pair.lag_ms == pytest.approx(1000.0 * late_samples / RATE, abs=1.0)
    (finding,) = same_take_findings((pair,))
    assert finding.subject == "left, right"
    assert f"{pair.correlation:.2f} (at {pair.lag_ms:+.1f} ms)" in finding.message


def test_two_amps_below_the_correlation_of_a_copy_are_said_to_be_two_amps() -> None:
    """A correlation of 0.7 and a coherence of 0.8: the message says what is late, turned over, and what it does."""
    (finding,) = same_take_findings((TakePair("left", "right", -0.7, 1.25, True, 0.8),))
    assert "one take through two amps, right turned over and 1.25 ms late; they comb in mono" in finding.message


def test_two_performances_through_one_amp_are_two() -> None:
    """The demo's riff played twice through one set-up: correlation and coherence at chance."""
    stems = []
    for take in (0, 1):
        rng = np.random.default_rng([take, 5])
        guitar = play(perform(12.0, rng), round(12.0 * RATE), RATE, rng)
        stems.append(random_cabinet(7, rate=RATE, source=amplify(guitar, RATE), n_close=2, sub=False).signals[0])
    (pair,) = takes(("left", "right"), np.stack(stems)).pairs()
    assert not pair.same_take
    assert pair.coherence is not None and pair.coherence < 0.2


def test_the_search_reaches_30_ms_without_fading() -> None:
    """The same copy at 30 ms early reads as high as at 0 ms: the window's overlap is divided out."""
    left = riff_noise(6.0, seed=63, channels=1)[0]
    (pair,) = takes(("a", "b"), np.stack((left, np.roll(left, -round(0.03 * RATE))))).pairs()
    assert pair.correlation == pytest.approx(1.0, abs=0.01)
    assert pair.lag_ms == pytest.approx(-30.0, abs=1e-9)


def test_two_performances_of_one_riff_are_two() -> None:
    """Same rhythm, other notes of noise: far below 0.9, no finding."""
    correlation = takes(("a", "b"), riff_noise(6.0, seed=64))
    (pair,) = correlation.pairs()
    assert abs(pair.correlation) < 0.3 and not pair.same_take
    assert same_take_findings(correlation.pairs()) == ()


def test_a_silent_performance_has_no_pair() -> None:
    """Nothing can be said of silence."""
    left = riff_noise(1.0, seed=65, channels=1)[0]
    assert takes(("a", "b"), np.stack((left, np.zeros_like(left)))).pairs() == ()


def test_neither_blocking_nor_length_matters() -> None:
    """The frames are the same samples in any blocks, and memory is fixed."""
    stems = riff_noise(4.0, seed=66)
    whole, pieces = TakeCorrelation(("a", "b"), RATE), TakeCorrelation(("a", "b"), RATE)
    whole.feed(stems)
    feed_in_pieces(pieces, stems, (1_000, 1, 50_000))
    assert whole.pairs() == pieces.pairs()
    before = len(pickle.dumps(whole))
    for _ in range(10):
        whole.feed(stems)
    assert abs(len(pickle.dumps(whole)) - before) < 64
