"""Levels of a track: against plain formulas on the whole signal, however it was cut into blocks."""

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from premix.analysis.levels import CLIP_RUN, MAX_RUNS, LevelMeter

RATE = 48000
FULL_24 = 1.0 - 2.0**-23


def measured(signal: npt.ArrayLike, cuts: Sequence[int] = (), clip_level: float = 1.0, rate: int = RATE) -> LevelMeter:
    """A meter that was fed the signal, cut at these places."""
    meter = LevelMeter(rate, clip_level)
    for part in np.split(np.asarray(signal, np.float64), sorted(cuts)):
        meter.feed(part)
    return meter


def runs_of(flags: Iterable[bool], shortest: int) -> tuple[tuple[int, int], ...]:
    """(start, length) of every run of True, the slow way."""
    found, start = [], None
    for index, flag in enumerate([*flags, False]):
        if flag and start is None:
            start = index
        elif not flag and start is not None:
            if index - start >= shortest:
                found.append((start, index - start))
            start = None
    return tuple(found)


def test_peak_rms_and_mean_are_those_of_the_formulas() -> None:
    """A sine of amplitude 0.5 over whole periods has rms 0.5 / sqrt(2); the offset is its mean (textbook)."""
    sine = 0.5 * np.sin(2 * np.pi * np.arange(4800) / 48.0)
    meter = measured(sine + 0.1, cuts=(7, 1000, 1001))
    assert meter.peak == pytest.approx(0.6, abs=1e-12)  # 48 samples a period: one lies on the top
    assert meter.dc == pytest.approx(0.1, abs=1e-12)
    assert meter.rms == pytest.approx(np.sqrt(0.125 + 0.01), abs=1e-12)


def test_peak_counts_the_negative_side() -> None:
    """The largest magnitude, not the largest sample."""
    assert measured([0.1, -0.8, 0.3]).peak == 0.8


def test_nothing_measured_is_silence() -> None:
    """No samples: zeros, no division by their number."""
    meter = measured([])
    assert (meter.peak, meter.rms, meter.dc, meter.nonfinite) == (0.0, 0.0, 0.0, 0)


@given(
    st.lists(st.sampled_from([0.0, 0.0, 0.0, 0.3, -0.4, FULL_24, FULL_24, -1.0]), min_size=1, max_size=60),
    st.lists(st.integers(0, 60), max_size=8),
)
def test_runs_do_not_depend_on_the_blocks(values: list[float], cuts: Sequence[int]) -> None:
    """Clipping and dropouts are those of a plain walk over the whole signal, wherever blocks end."""
    signal = np.array(values)
    meter = measured(signal, cuts=[c for c in cuts if c <= len(signal)], clip_level=FULL_24, rate=3000)
    assert meter.clipped_runs() == runs_of(np.abs(signal) >= FULL_24, CLIP_RUN)
    heard = np.flatnonzero(signal)
    inside = runs_of(signal == 0.0, 3)  # 1 ms at 3 kHz
    assert meter.dropouts() == tuple(
        run for run in inside if len(heard) and heard[0] < run[0] and run[0] + run[1] < len(signal)
    )


def test_two_full_samples_are_a_peak_and_three_are_clipping() -> None:
    """A lone full-scale sample may be a lucky peak."""
    signal = np.full(100, 0.2)
    signal[10:12] = FULL_24
    signal[50:53] = -FULL_24
    assert measured(signal, clip_level=FULL_24).clipped_runs() == ((50, 3),)


def test_negative_full_scale_counts_as_full() -> None:
    """-1.0 is one step further than the largest positive sample; both are clipping."""
    signal = np.full(100, 0.2)
    signal[20:30] = -1.0
    assert measured(signal, clip_level=FULL_24).clipped_runs() == ((20, 10),)


def test_silence_before_and_after_the_music_is_no_dropout() -> None:
    """Only zeros with sound on both sides are a fault; 48 samples are 1 ms at 48 kHz."""
    sound = np.full(2000, 0.1)
    signal = np.concatenate([np.zeros(500), sound, np.zeros(48), sound, np.zeros(47), sound, np.zeros(900)])
    assert measured(signal, cuts=(600, 2520)).dropouts() == ((2500, 48),)


def test_nan_and_infinity_are_counted_and_measured_as_zeros() -> None:
    """One bad sample neither spoils the levels nor hides in them."""
    good = np.random.default_rng(1).uniform(-0.5, 0.5, 1000)
    bad = good.copy()
    bad[[3, 500, 998]] = [np.nan, np.inf, -np.inf]
    good[[3, 500, 998]] = 0.0
    meter, reference = measured(bad, cuts=(100, 700)), measured(good)
    assert meter.nonfinite == 3
    assert (meter.peak, meter.dropouts()) == (reference.peak, reference.dropouts())
    assert meter.rms == pytest.approx(reference.rms, rel=1e-12)
    assert meter.dc == pytest.approx(reference.dc, abs=1e-15)


def test_a_broken_file_cannot_fill_the_memory() -> None:
    """Only the first runs are remembered."""
    signal = np.tile(np.array([0.1] + [FULL_24] * 3), 3 * MAX_RUNS)
    runs = measured(signal, clip_level=FULL_24).clipped_runs()
    assert len(runs) == MAX_RUNS
    assert runs[0] == (1, 3)


def note(hz: float, amplitude: float, seconds: float = 1.0) -> npt.NDArray[np.float64]:
    """A low note with an octave and a fifth in it."""
    time = 2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE
    return np.asarray(amplitude * (np.sin(time) + 0.4 * np.sin(2 * time + 1.0) + 0.3 * np.sin(3 * time + 2.0)))


@given(cuts=st.lists(st.integers(0, RATE), max_size=8), level=st.floats(0.05, 0.9))
def test_tops_that_were_cut_off_below_full_scale_are_found(cuts: list[int], level: float) -> None:
    """A note clipped on both sides, then turned down: nine in ten of the runs at its highest level (the slow way; the
    others end a hair below it), no other place, and the same however it is cut into blocks."""
    hard = np.clip(note(82.4, 1.0), -0.5, 0.4)
    expected = (*runs_of(hard >= 0.4, CLIP_RUN), *runs_of(hard <= -0.5, CLIP_RUN))
    found = measured(level * hard, cuts).flat_tops()
    assert found == measured(level * hard).flat_tops()
    assert len(set(found) & set(expected)) > 0.9 * len(expected) > 100
    assert all(any(abs(start - at) <= 1 for at, _ in expected) for start, _ in found)


@pytest.mark.parametrize("hz", [30.0, 41.2, 55.0, 82.4, 220.0, 3000.0])
def test_round_tops_are_not_flat(hz: float) -> None:
    """The lowest notes stay for many samples near their top, every period again: no corner, no clipping."""
    assert measured(0.5 * np.sin(2 * np.pi * hz * np.arange(2 * RATE) / RATE)).flat_tops() == ()
    assert measured(note(hz, 0.3, 2.0)).flat_tops() == ()


def test_four_flat_tops_are_an_accident_and_full_scale_is_told_as_such() -> None:
    """Five make a finding; at full scale they are runs at full scale."""
    rng = np.random.default_rng(4)
    signal = np.clip(0.1 * rng.standard_normal(RATE), -0.3, 0.3)
    for k in range(4):
        signal[5000 * (k + 1) : 5000 * (k + 1) + 4] = 0.5
    assert measured(signal).flat_tops() == ()
    signal[40000:40004] = 0.5
    assert len(measured(signal).flat_tops()) == 5
    assert measured(2.0 * signal).flat_tops() == ()
    assert len(measured(2.0 * signal).clipped_runs()) == 5


def test_silence_and_direct_voltage_cost_nothing() -> None:
    """No top has an end there; nothing piles up."""
    assert measured(np.zeros(RATE), (100, 200)).flat_tops() == ()
    assert measured(np.full(RATE, 0.25), (100, 200)).flat_tops() == ()
