"""Compressor and expander after Giannoulis, Massberg & Reiss, Digital Dynamic Range Compressor Design, JAES 60, 2012.

Static curve (their hard knee): x below the threshold, T + (x - T) / R above it. Times: an exponential smoother has
gone 63 % (1 - 1/e) of the way after its time constant.
"""

import numpy as np
import numpy.typing as npt
import pytest

from premix.processors.base import KeySource

from .driving import RATE, drive, noise, step

FloatArray = npt.NDArray[np.float64]

GONE = 1.0 - np.exp(-1.0)


def steady(level_db: float, count: int = 2 * RATE) -> FloatArray:
    """A constant: its peak level is its level at every instant."""
    return np.full(count, 10 ** (level_db / 20))


def level_db(signal: FloatArray) -> float:
    """Level of a constant at its end."""
    return float(20 * np.log10(np.abs(signal[-100:]).max()))


@pytest.mark.parametrize("ratio", [1.0, 2.0, 4.0, 20.0])
@pytest.mark.parametrize("in_db", [-60.0, -25.0, -20.0, -14.0, -6.0, 0.0])
def test_the_compressors_static_curve(in_db: float, ratio: float) -> None:
    """Every input level comes out where the curve says, within what 32-bit gains are good for."""
    made = drive(step("compressor", threshold_db=-20.0, ratio=ratio, attack_ms=1.0), steady(in_db))
    expected = in_db if in_db <= -20.0 else -20.0 + (in_db + 20.0) / ratio
    assert level_db(made) == pytest.approx(expected, abs=0.001)  # 10^-6 (the level's floor) is 0.0001 dB at -20 dB


def detected(made: FloatArray, given: FloatArray, threshold_db: float, ratio: float) -> FloatArray:
    """The detector's level, read back from the gain through the static curve."""
    gain = made / given
    return 10 ** (threshold_db / 20) * gain ** (1 / (1 / ratio - 1))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize(("attack_ms", "release_ms"), [(5.0, 50.0), (30.0, 200.0)])
def test_the_compressor_goes_63_percent_in_its_times(attack_ms: float, release_ms: float, rate: int) -> None:
    """A step up and a step down, the detector's level read off the gain."""
    low, high = 0.02, 1.0
    given = np.concatenate([np.full(rate // 2, low), np.full(rate, high), np.full(2 * rate, low)])
    one = step("compressor", threshold_db=-40.0, ratio=4.0, attack_ms=attack_ms, release_ms=release_ms)
    level = detected(drive(one, given, rate=rate), given, -40.0, 4.0)
    up, down = rate // 2 + round(attack_ms * rate / 1000), rate // 2 + rate + round(release_ms * rate / 1000)
    # two samples of 5 ms are 0.8 % of the way at 48 kHz
    assert level[up] == pytest.approx(low + GONE * (high - low), rel=0.01)
    assert level[down] == pytest.approx(high - GONE * (high - low), rel=0.01)


def test_the_channels_are_linked() -> None:
    """What only one channel has turns both down by the same gain, whichever it is: the picture stays where it is."""
    both = np.stack([steady(-6.0), steady(-30.0)])
    made = drive(step("compressor", threshold_db=-20.0, ratio=4.0), both)
    assert made[1] == pytest.approx(both[1] * (made[0] / both[0]), rel=1e-14)
    assert level_db(made[1]) == pytest.approx(-30.0 - 10.5, abs=0.001)
    swapped = drive(step("compressor", threshold_db=-20.0, ratio=4.0), both[::-1])
    assert np.array_equal(swapped[::-1], made)


def test_below_the_threshold_nothing_changes_at_all() -> None:
    """Bit for bit: the 64-bit signal is multiplied by one, it does not pass the library."""
    signal = noise(2, RATE, level=0.01)
    assert np.array_equal(drive(step("compressor", threshold_db=-10.0, ratio=8.0), signal), signal)


def test_gain_after_the_compressor_is_only_what_is_asked_for() -> None:
    """6 dB more is 6 dB more, and nothing is made up."""
    plain = step("compressor", threshold_db=-20.0, ratio=4.0)
    louder = step("compressor", threshold_db=-20.0, ratio=4.0, gain_db=6.0)
    assert level_db(drive(plain, steady(0.0))) == pytest.approx(-15.0, abs=0.001)
    assert level_db(drive(louder, steady(0.0))) == pytest.approx(-9.0, abs=0.001)


@pytest.mark.parametrize("ratio", [1.5, 3.0])
@pytest.mark.parametrize("in_db", [-70.0, -50.0, -44.0, -40.0, -20.0])
def test_the_expanders_static_curve(in_db: float, ratio: float) -> None:
    """T + (x - T) R below the threshold, never more than the range below x; x above it."""
    one = step("expander", threshold_db=-40.0, ratio=ratio, range_db=18.0)
    expected = in_db if in_db >= -40.0 else max(-40.0 + (in_db + 40.0) * ratio, in_db - 18.0)
    assert level_db(drive(one, steady(in_db))) == pytest.approx(expected, abs=0.001)


def test_the_expander_opens_holds_and_closes_in_its_times() -> None:
    """Gain in dB against time: open by 63 % after the attack, held, closed by 63 % after the release."""
    rate, quiet, loud = RATE, 10 ** (-80 / 20), 0.5
    given = np.concatenate([np.full(rate, quiet), np.full(rate, loud), np.full(rate, quiet)])
    one = step(
        "expander", threshold_db=-40.0, ratio=100.0, range_db=30.0, attack_ms=20.0, hold_ms=50.0, release_ms=100.0,
        lookahead_ms=0.0,
    )  # fmt: skip
    made_db = 20 * np.log10(drive(one, given) / given)
    look = 32  # samples between two looks at the level
    assert made_db[rate - 1 - look] == pytest.approx(-30.0, abs=0.01)
    # one look is 0.67 ms: 3 % of the attack, half of it on average
    assert made_db[rate + round(0.020 * rate)] == pytest.approx(-30.0 * np.exp(-1), abs=30 * 0.02)
    assert made_db[2 * rate + round(0.050 * rate) - look] == pytest.approx(0.0, abs=0.01)
    assert made_db[2 * rate + round(0.150 * rate)] == pytest.approx(-30.0 * GONE, abs=30 * 0.02)


def test_lookahead_opens_before_the_note() -> None:
    """With 5 ms of it, the first sample of a note already passes at its level; without it, it does not."""
    given = np.concatenate([np.zeros(RATE), np.full(RATE, 0.5)])
    settings = {"threshold_db": -40.0, "attack_ms": 0.5, "range_db": 40.0}
    ahead = drive(step("expander", lookahead_ms=5.0, **settings), given)
    late = drive(step("expander", lookahead_ms=0.0, **settings), given)
    assert ahead[RATE] == pytest.approx(0.5, rel=0.01)
    assert late[RATE] < 0.05


def test_the_key_decides_and_the_signal_is_turned_down() -> None:
    """A steady signal follows the pauses of its key; the key itself is not heard; steps before it move it along."""
    loud = np.concatenate([np.zeros(RATE), np.full(RATE, 0.5), np.zeros(RATE)])

    def key(name: str, lag: int) -> KeySource:
        assert name == "dynamic"
        late = np.concatenate([np.zeros(lag), loud, np.zeros(RATE)])
        position = 0

        def following(count: int) -> FloatArray:
            nonlocal position
            position += count
            return late[position - count : position]

        return following

    one = step(
        "expander", key="dynamic", threshold_db=-40.0, range_db=60.0, ratio=100.0, attack_ms=0.1, hold_ms=0.0,
        release_ms=1.0,
    )  # fmt: skip
    signal = np.full(3 * RATE, 0.01)
    made = drive([step("compressor", threshold_db=0.0), one], signal, key=key)
    assert np.abs(made[: RATE - 500]).max() < 0.01 * 10 ** (-59 / 20)
    assert made[RATE : 2 * RATE] == pytest.approx(0.01, rel=0.01)  # the lookahead opens it in time
    assert np.abs(made[2 * RATE + 1000 :]).max() < 0.01 * 10 ** (-59 / 20)


def test_below_the_ceiling_the_limiter_changes_nothing() -> None:
    """Bit for bit, although the library beside it has 32 bits."""
    signal = noise(2, RATE, level=0.02)
    assert np.array_equal(drive(step("limiter", ceiling_db=-6.0), signal), signal)


@pytest.mark.parametrize("ceiling_db", [-1.0, -12.0])
def test_no_sample_passes_the_ceiling(ceiling_db: float) -> None:
    """The largest sample is the ceiling, within the step of a 32-bit float; nothing is made up for a quiet channel."""
    signal = np.stack([noise(1, RATE, level=0.6)[0], noise(1, RATE, seed=9, level=0.001)[0]])
    made = drive(step("limiter", ceiling_db=ceiling_db), signal)
    assert 20 * np.log10(np.abs(made).max()) == pytest.approx(ceiling_db, abs=1e-5)
    assert np.abs(made[1]).max() <= np.abs(signal[1]).max()


def test_the_limiters_channels_are_linked() -> None:
    """Where the left channel is turned down, the right one is by the same gain (in 32 bits)."""
    left = 0.9 * np.sin(2 * np.pi * 200 * np.arange(RATE) / RATE)
    made = drive(step("limiter", ceiling_db=-12.0), np.stack([left, 0.25 * left]))
    assert np.abs(made[1] - 0.25 * made[0]).max() < 1e-6
