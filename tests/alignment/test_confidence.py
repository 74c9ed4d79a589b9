"""Words and ranges of a decision: from the windows of the song, not from the coherence of the whole."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import stdtrit

from premix.alignment.confidence import COVERED, LEAST_PARTS, Parts, evenness, half_range, student_t
from premix.arrays import FloatArray
from tests.rigs.words import word_cases


def parts_of(delays: FloatArray, weights: FloatArray, served: FloatArray | None = None) -> Parts:
    """Windows that each ask for a delay, with a weight: slope 0 at that delay."""
    scores = np.ones_like(weights) if served is None else served
    return Parts(-delays * weights, weights, scores, np.ones_like(weights))


def test_the_range_is_the_jackknife_of_the_mean_times_students_t() -> None:
    """Of equal weights the jackknife is the standard error of the mean, s / sqrt(n) (Efron & Stein 1981); with 9 parts
    the 95 % quantile of Student's t is 1.8595 (any table, 8 degrees of freedom)."""
    delays = np.random.default_rng(1).normal(0.0, 2.0, 9)
    expected = 1.8595 * float(delays.std(ddof=1)) / 3.0
    assert half_range([parts_of(delays, np.ones(9))]) == pytest.approx(expected, rel=1e-4)


def test_students_t_is_scipys() -> None:
    freedoms = np.arange(LEAST_PARTS - 1, 400)
    ours = np.array([student_t(int(freedom)) for freedom in freedoms])
    off = np.abs(ours / stdtrit(freedoms, COVERED) - 1.0)
    assert off.max() < 3e-3
    assert off[freedoms >= 4].max() < 2e-4


def test_performances_that_share_a_delay_tell_it_together() -> None:
    """Four times the windows halve the range, or better, as Student's t comes down too."""
    rng = np.random.default_rng(2)
    takes = [parts_of(rng.normal(0.0, 1.0, 12), np.ones(12)) for _ in range(4)]
    alone = [half_range([take]) or 0.0 for take in takes]
    assert half_range(takes) == pytest.approx(0.5 * float(np.mean(alone)), rel=0.3)


def test_nothing_is_said_where_one_window_tells_all() -> None:
    """Two windows, or one that outweighs all others, give no range."""
    assert half_range([parts_of(np.zeros(2), np.ones(2))]) is None
    assert half_range([parts_of(np.zeros(6), np.array([1e9, 1, 1, 1, 1, 1.0]))]) is None


def test_evenness_falls_where_some_windows_are_served_badly() -> None:
    """All alike 1, a tenth of the windows turned over below 0; windows that hold nothing do not count."""
    even = parts_of(np.zeros(40), np.ones(40))
    assert evenness(even) == pytest.approx(1.0)
    turned = np.ones(40)
    turned[:4] = -1.0
    assert evenness(replace(even, scores=turned)) < 0.0
    sizes = np.where(turned < 0.0, 0.01, 1.0)
    assert evenness(replace(even, scores=turned * sizes, sizes=sizes)) == pytest.approx(1.0)


def test_a_turned_or_jumped_mic_is_only_fair_and_nobody_beside_it_is_sure() -> None:
    """Three set-ups of the bench, a mic that turns over and two that jump."""
    found = [word for seed in (1004, 2011, 2018) for word in word_cases(seed)]
    assert {word.fault for word in found if word.wrong}
    assert {word.confidence for word in found if word.wrong} == {"fair"}
    assert {word.confidence for word in found if not word.wrong} <= {"good", "fair"}


def test_the_mics_of_a_sound_set_up_are_sure() -> None:
    found = word_cases(20_000)
    assert {word.fault for word in found} == {"none"}
    assert [word.confidence for word in found].count("sure") >= 3


def test_what_a_drowned_mic_pulls_is_not_sure() -> None:
    """A ribbon with another take 12 dB below it or louder pulls the condenser off by 0.13 dB, whose own evidence is
    without fault."""
    found = {word.mic: word for word in word_cases(20_012)}
    assert found["ribbon"].fault == "drowned"
    assert found["condenser"].wrong
    assert found["condenser"].confidence == "good"
