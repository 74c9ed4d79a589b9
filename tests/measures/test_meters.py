"""The table of measures: all figures of an output in one record."""

from dataclasses import fields

import numpy as np
import pytest

from premix.measures.loudness import LoudnessGram
from premix.measures.meters import PART_MEASURES, PartMeter
from premix.model.mix import PartMeasures
from tests.measures.signals import RATE, feed_in_pieces, riff_noise, sine


def assert_same(found: PartMeasures, expected: PartMeasures) -> None:
    for field in fields(PartMeasures):
        value = getattr(expected, field.name)
        if isinstance(value, float):
            value = pytest.approx(value, rel=1e-11, abs=1e-12)  # rounding, of a log of sums
        assert getattr(found, field.name) == value, field.name


def test_every_field_of_the_record_is_measured_once() -> None:
    """The table's measures together fill PartMeasures, no field twice."""
    names = [name for make in PART_MEASURES.values() for name in make(RATE, 1).values()]
    assert sorted([*names, "part"]) == sorted(field.name for field in fields(PartMeasures))


def test_a_known_tone_reads_its_known_figures() -> None:
    """1 kHz at -20 dBFS in one channel: peaks -20, rms -20 (AES17), loudness -23.01 (mono), crest 3.01."""
    meter = PartMeter("stem_left", RATE, 1)
    meter.feed(sine(5.0, -20.0)[None])
    found = meter.result()
    assert found.part == "stem_left"
    assert found.sample_peak_dbfs == pytest.approx(-20.0, abs=1e-6)
    assert found.true_peak_dbtp == pytest.approx(-20.0, abs=0.01)  # ends cut at a zero crossing
    assert found.rms_dbfs == pytest.approx(-20.0, abs=1e-6)
    assert found.crest_db == pytest.approx(3.0103, abs=1e-4)
    assert found.loudness_lufs == pytest.approx(-23.01, abs=0.02)  # 1 kHz against the standard's 997 Hz
    assert found.short_term_max_lufs == pytest.approx(-23.01, abs=0.02)
    assert found.momentary_max_lufs == pytest.approx(-23.01, abs=0.02)
    assert found.loudness_range_lu == pytest.approx(0.0, abs=0.02)
    assert found.dc == pytest.approx(0.0, abs=1e-12)


def test_the_trim_afterwards_equals_the_trim_before() -> None:
    """result(gain) is what a meter of the trimmed output says."""
    signal = riff_noise(4.0, seed=40)
    before, after = PartMeter("guitars", RATE, 2), PartMeter("guitars", RATE, 2)
    before.feed(0.7 * signal)
    after.feed(signal)
    assert_same(after.result(gain=0.7), before.result())


def test_loudness_may_be_measured_elsewhere(monkeypatch: pytest.MonkeyPatch) -> None:
    """With the loudness of a Gram output the record is the same, and the part is not filtered again."""
    basis = riff_noise(4.0, seed=41, channels=3)
    gains = np.array([[1.0, -0.5, 0.25], [0.0, 0.5, 1.0]])
    gram = LoudnessGram(RATE, 3, {"guitars": gains})
    direct = PartMeter("guitars", RATE, 2)
    monkeypatch.setitem(PART_MEASURES, "loudness", lambda rate, channels: pytest.fail("a second meter"))
    fed = PartMeter("guitars", RATE, 2, loudness=gram.outputs["guitars"])
    gram.feed(basis)
    fed.feed(gains @ basis)
    direct.feed(gains @ basis)
    assert_same(fed.result(gain=0.5), direct.result(gain=0.5))


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_the_blocking_does_not_matter(rate: int) -> None:
    """Odd blocks and results on the way give the same record."""
    signal = riff_noise(3.5, seed=42, rate=rate, channels=1)
    whole, pieces = PartMeter("bus_left", rate, 1), PartMeter("bus_left", rate, 1)
    whole.feed(signal)
    feed_in_pieces(pieces, signal[:, :rate], (313, 2))
    pieces.result()
    feed_in_pieces(pieces, signal[:, rate:], (4096, 57_600))
    assert_same(pieces.result(), whole.result())


def test_silence_is_measured_as_nothing() -> None:
    """Every level is None, DC is zero."""
    meter = PartMeter("room_left", RATE, 1)
    meter.feed(np.zeros((1, 5 * RATE)))
    assert meter.result() == PartMeasures("room_left", None, None, None, None, None, 0.0)
