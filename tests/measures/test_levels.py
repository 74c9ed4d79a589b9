"""Sample peak, rms, crest factor and DC."""

import numpy as np
import pytest

from premix.measures.peaks import LevelMeter, rms_to_dbfs
from tests.measures.signals import RATE, FloatArray, feed_in_pieces, riff_noise, sine

EXACT = 1e-9  # rounding of float64 sums


def levels(signal: FloatArray, gain: float = 1.0) -> dict[str, float | None]:
    meter = LevelMeter(RATE, len(signal))
    meter.feed(signal)
    return meter.values(gain)


def test_a_full_scale_sine_reads_0_dbfs_rms_and_3_db_of_crest() -> None:
    """AES17: 0 dBFS is the rms of a 997 Hz full-scale sine. 0.001 dB: no sample is quite at its peak."""
    found = levels(sine(1.0, 0.0, 997.0)[None])
    assert found["rms_dbfs"] == pytest.approx(0.0, abs=EXACT)
    assert found["sample_peak_dbfs"] == pytest.approx(0.0, abs=0.001)
    assert found["crest_db"] == pytest.approx(10.0 * np.log10(2.0), abs=0.001)


def test_a_full_scale_square_reads_3_dbfs_rms_and_no_crest() -> None:
    """AES17: a full-scale square wave is +3.01 dBFS."""
    found = levels(np.tile([1.0, 1.0, -1.0, -1.0], 1000)[None])
    assert found["rms_dbfs"] == pytest.approx(10.0 * np.log10(2.0), abs=EXACT)
    assert found["crest_db"] == pytest.approx(0.0, abs=EXACT)
    assert rms_to_dbfs(1.0) == pytest.approx(10.0 * np.log10(2.0), abs=EXACT)


def test_the_peak_is_the_largest_of_either_sign_in_any_channel() -> None:
    """A negative peak in the second channel counts."""
    signal = np.array([[0.1, 0.2, 0.0], [0.0, -0.5, 0.3]])
    assert levels(signal)["sample_peak_dbfs"] == pytest.approx(20.0 * np.log10(0.5), abs=EXACT)


def test_dc_is_the_worse_channels_mean_and_scales_with_the_gain() -> None:
    """DC keeps its sign; levels follow |gain|, crest does not move."""
    signal = riff_noise(1.0, seed=20)
    signal -= signal.mean(axis=1, keepdims=True)
    signal += np.array([[0.01], [-0.02]])
    full, half = levels(signal), levels(signal, gain=-0.5)
    assert full["dc"] == pytest.approx(-0.02, abs=1e-12)
    assert half["dc"] == pytest.approx(0.01, abs=1e-12)
    assert half["crest_db"] == pytest.approx(full["crest_db"], abs=EXACT)
    for name in ("sample_peak_dbfs", "rms_dbfs"):
        before, after = full[name], half[name]
        assert before is not None and after is not None
        assert before - after == pytest.approx(20.0 * np.log10(2.0), abs=EXACT)


def test_silence_has_no_level_but_a_dc() -> None:
    """None, not minus infinity; also before anything was fed."""
    none = {"sample_peak_dbfs": None, "rms_dbfs": None, "crest_db": None, "dc": 0.0}
    assert levels(np.zeros((2, 100))) == none
    assert levels(np.zeros((1, 0))) == none


def test_the_blocking_does_not_matter() -> None:
    """Odd blocks give the same figures to 1e-12 relative."""
    signal = riff_noise(1.0, seed=21) + 0.01
    meter = LevelMeter(RATE, 2)
    feed_in_pieces(meter, signal, (777, 1, 4096))
    expected = levels(signal)
    assert all(meter.values()[name] == pytest.approx(expected[name], rel=1e-12) for name in expected)
