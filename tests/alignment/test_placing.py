"""Where a mic plays, asked of the samples: noise in files of which every delay is known."""

from pathlib import Path

import numpy as np
import pytest

from premix.alignment.placing import Answer, Heard, slip_of
from premix.arrays import FloatArray
from tests.alignment.test_alive import RATE, aligned
from tests.rigs.cabinets import random_cabinet

FREQS_HZ = np.array([0.0, RATE / 2.0])
EVEN = np.ones(2, np.complex128)


def asked(folder: Path, signal: FloatArray, source: FloatArray) -> Answer | None:
    """How late `signal` is against `source`, by the files of a song that has both."""
    rig = random_cabinet(73, rate=RATE, seconds=6.0, n_close=3)
    signals = rig.signals.copy()
    signals[0], signals[1] = source, signal
    song, _ = aligned(folder, rig, signals)
    reference, mic = (Heard(song.performances[0].close[m], EVEN, FREQS_HZ) for m in (0, 1))
    return slip_of(mic, [(reference, (0.0, 1))], (0.0, 1), EVEN, 1.0, 5.0)


@pytest.mark.parametrize(("late", "sign"), [(3000, 1), (-12_000, -1), (0, -1)])
def test_any_delay_is_seen_to_the_sample(tmp_path: Path, late: int, sign: int) -> None:
    source = np.random.default_rng(1).standard_normal(6 * RATE) * 0.1
    found = asked(tmp_path, sign * np.roll(source, late), source)
    assert found is not None and found[0] == pytest.approx(late, abs=0.05) and found[1] == sign


@pytest.mark.parametrize("what", ["another", "two places"])
def test_no_place_is_made_up(tmp_path: Path, what: str) -> None:
    """Noise that has nothing to do with the other; and one that lies equally well in two places."""
    source, other = np.random.default_rng(2).standard_normal((2, 6 * RATE)) * 0.1
    signal = other if what == "another" else np.roll(source, 1000) + np.roll(source, 9000)
    assert asked(tmp_path, signal, source) is None
