"""Loudness: the weighting's coefficients, the Gram route, gains, blocking, and what has no loudness."""

import pickle

import numpy as np
import pytest

from premix.measures.loudness import LoudnessGram, LoudnessMeter, k_weighting_sections
from tests.measures.signals import RATE, FloatArray, feed_in_pieces, riff_noise, tones

Values = dict[str, float | None]
FIELDS = ("loudness_lufs", "momentary_max_lufs", "short_term_max_lufs", "loudness_range_lu")
EXACT_LU = 1e-9  # two routes of float64: rounding only


def assert_same(found: Values, expected: Values) -> None:
    for field in FIELDS:
        assert found[field] == pytest.approx(expected[field], abs=EXACT_LU)


def direct(signal: FloatArray) -> Values:
    meter = LoudnessMeter(RATE, len(signal))
    meter.feed(signal)
    return meter.values()


def test_the_48_khz_coefficients_are_the_standards() -> None:
    """ITU-R BS.1770-5, annex 1, tables 1 and 2, from memory; 1e-10 is a few of the table's last digits."""
    shelf, high_pass = k_weighting_sections(48_000)
    table_1 = [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585]
    table_2 = [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]
    np.testing.assert_allclose(shelf, table_1, atol=1e-10)
    np.testing.assert_allclose(high_pass, table_2, atol=1e-10)


@pytest.mark.parametrize("rate", [32_000, 44_100, 88_200, 96_000, 176_400, 192_000])
def test_the_response_is_that_of_48_khz_at_every_rate(rate: int) -> None:
    """The standard asks for the same response; 0.011 dB is what the bilinear transform warps at 32 kHz."""
    freqs_hz = np.geomspace(20.0, 5000.0, 50)

    def response_db(at_rate: int) -> FloatArray:
        powers = np.exp(-2j * np.pi * np.outer(freqs_hz / at_rate, [0, 1, 2]))
        parts = [(powers @ section[:3]) / (powers @ section[3:]) for section in k_weighting_sections(at_rate)]
        return np.asarray(20.0 * np.log10(np.abs(parts[0] * parts[1])))

    np.testing.assert_allclose(response_db(rate), response_db(48_000), atol=0.011)


def test_the_gram_route_equals_filtering_every_output() -> None:
    """Stems, a bus, a panned stereo bus with inverted parts: Gram read-out = direct measure to 1e-9 LU."""
    basis = riff_noise(6.0, seed=3, channels=5)
    rng = np.random.default_rng(4)
    coefficients = {
        "stem": np.array([[0.0, 1.0, 0.0, 0.0, 0.0]]),
        "bus": np.array([[0.7, -0.5, 0.0, 1.0, 0.2]]),
        "guitars": rng.uniform(-1.0, 1.0, (2, 5)),
    }
    gram = LoudnessGram(RATE, 5, coefficients)
    feed_in_pieces(gram, basis, (5_000, 57_600, 77))
    for name, gains in coefficients.items():
        assert_same(gram.outputs[name].values(), direct(gains @ basis))


def test_gains_of_another_shape_are_refused() -> None:
    """Coefficients must be (channels, signals); the message names the output."""
    with pytest.raises(ValueError, match=r"bus: gains have shape \(2, 3\), not \(channels, 5\)"):
        LoudnessGram(RATE, 5, {"bus": np.ones((2, 3))})


def test_a_trim_afterwards_equals_a_trim_before() -> None:
    """values(gain) gates again: near the absolute gate a trim is no plain shift, and both routes agree."""
    signal = tones([(5.0, -68.0), (5.0, -62.0)])
    meter = LoudnessMeter(RATE, 2)
    meter.feed(signal)
    assert_same(meter.values(gain=0.5), direct(0.5 * signal))
    untrimmed, trimmed = meter.values()["loudness_lufs"], meter.values(gain=0.5)["loudness_lufs"]
    assert untrimmed is not None and trimmed is not None
    assert trimmed - untrimmed > -6.0  # the softer half fell under the gate


@pytest.mark.parametrize("sizes", [(1_000_000,), (57_600,), (959, 1, 961, 960, 7), (333,)])
def test_the_blocking_does_not_matter(sizes: tuple[int, ...]) -> None:
    """Any block sizes give the same figures to 1e-9 LU; empty blocks do no harm."""
    signal = riff_noise(4.0, seed=5)
    meter = LoudnessMeter(RATE, 2)
    meter.feed(signal[:, :0])
    feed_in_pieces(meter, signal, sizes)
    assert_same(meter.values(), direct(signal))


def test_silence_and_a_breath_have_no_loudness() -> None:
    """Digital silence has none; 0.39 s is shorter than any window; 1 s has M and I but no S and no range."""
    none = dict.fromkeys(FIELDS)
    assert direct(np.zeros((2, 5 * RATE))) == none
    assert direct(tones([(0.39, -20)])) == none
    second = direct(tones([(1.0, -20)]))
    assert second["loudness_lufs"] is not None and second["momentary_max_lufs"] is not None
    assert second["short_term_max_lufs"] is None and second["loudness_range_lu"] is None


def test_memory_grows_by_ten_numbers_a_second_and_output() -> None:
    """80 bytes a second and output: the pickled meter of two outputs grows by no more (+512 for headers)."""
    gram = LoudnessGram(RATE, 3, {"a": np.ones((1, 3)), "b": np.ones((2, 3))})
    block = riff_noise(10.0, seed=6, channels=3)
    gram.feed(block)
    before = len(pickle.dumps(gram))
    for _ in range(6):
        gram.feed(block)
    assert len(pickle.dumps(gram)) - before <= 60 * 80 * 2 + 512
