"""libebur128 1.2.6, through pyebur128, as a second reader of loudness, its range, its maxima and true peak."""

import numpy as np
import pytest

from premix.measures.loudness import LoudnessMeter
from premix.measures.peaks import TruePeakMeter
from tests.measures.signals import FloatArray, feed_in_pieces, riff_noise, tones

BLOCKS = (57_600, 4_096, 9_999)


def riffs(rate: int, channels: int) -> FloatArray:
    """30 s of three levels, 10 s each: a loudness range, and gates with something to leave out."""
    signal = riff_noise(30.0, seed=70, rate=rate, channels=channels)
    return np.asarray(signal * np.repeat([1.0, 0.35, 0.12], 10 * rate))


SIGNALS = {
    "riffs": riffs,
    "steps of 3342": lambda rate, channels: tones([(10.0, -35), (10.0, -20), (10.0, -50)], rate, channels),
    "close to the gate": lambda rate, channels: tones([(10.0, -20), (10.0, -31)], rate, channels),
}


@pytest.mark.tools("pyebur128")
@pytest.mark.parametrize(("rate", "channels"), [(44_100, 2), (48_000, 1), (48_000, 2), (96_000, 2)])
@pytest.mark.parametrize("name", SIGNALS)
def test_libebur128_reads_the_same(name: str, rate: int, channels: int) -> None:
    """To 0.001 LU at 48 kHz; to 0.025 LU at the others, where libebur128 leaves the high-pass at the gain it has at
    48 kHz and premix keeps the gain of the pass band.

    The momentary maximum is looked for every 20 ms here and every 100 ms there, so up to 0.02 LU higher. 0.05 LU of
    range: percentiles between values are rounded otherwise. True peak: 0.1 dB, as they have 4 points a sample.
    """
    import pyebur128

    signal = SIGNALS[name](rate, channels)  # type: ignore[no-untyped-call]
    mode = pyebur128.MeasurementMode
    reader = pyebur128.R128State(channels, rate, mode.MODE_I | mode.MODE_LRA | mode.MODE_S | mode.MODE_TRUE_PEAK)
    momentary, short_term, hop = [], [], rate // 10
    for start in range(0, signal.shape[1], hop):
        block = np.ascontiguousarray(signal[:, start : start + hop].T)
        reader.add_frames(block.reshape(-1), len(block))
        momentary.append(pyebur128.get_loudness_momentary(reader))
        short_term.append(pyebur128.get_loudness_shortterm(reader))
    loudness, peak = LoudnessMeter(rate, channels), TruePeakMeter(rate, channels)
    for meter in (loudness, peak):
        feed_in_pieces(meter, signal, BLOCKS)
    found = loudness.values()
    limit = 0.001 if rate == 48_000 else 0.025
    assert found["loudness_lufs"] == pytest.approx(pyebur128.get_loudness_global(reader), abs=limit)
    assert found["short_term_max_lufs"] == pytest.approx(max(short_term), abs=limit)
    assert found["momentary_max_lufs"] is not None
    assert -limit <= found["momentary_max_lufs"] - max(momentary) <= limit + 0.02
    assert found["loudness_range_lu"] == pytest.approx(pyebur128.get_loudness_range(reader), abs=0.05)
    theirs = max(pyebur128.get_true_peak(reader, channel) for channel in range(channels))
    assert 20.0 * np.log10(peak.peak() / theirs) == pytest.approx(0.0, abs=0.1)
