"""The stop-and-go riffs: what they claim as start and stop times is what their signals hold."""

from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from tests.rigs.riffs import SHORTEST_STOP_S, Samples, StopAndGo, stop_and_go


def level_db(riff: StopAndGo, signal: npt.NDArray[np.float64], at_s: float, to_s: float) -> float:
    """Rms between two times against the loud level."""
    part = signal[max(0, round(at_s * riff.rate)) : round(to_s * riff.rate)]
    return float(10.0 * np.log10(np.mean(part**2) / riff.loud**2 + 1e-20))


@pytest.mark.parametrize("samples", ["real", "synth"])
@pytest.mark.parametrize(("seed", "rate"), [(1, 44100), (2, 48000), (3, 48000), (4, 96000)])
def test_the_key_starts_and_stops_with_the_truth(samples: Samples, seed: int, rate: int) -> None:
    """Before a start 20 dB down or ringing out, loud 4 ms after; 20 dB down from 12 ms after a stop."""
    riff = stop_and_go(seed, rate=rate, samples=samples, sustain_db=0.0, n_bars=3)
    for on, off in riff.spans:
        assert level_db(riff, riff.key[0], on - 0.003, on - 0.001) < -20.0
        assert level_db(riff, riff.key[0], on, on + 0.004) > -8.0
        assert level_db(riff, riff.key[0], off - 0.012, off - 0.006) > -15.0
        assert level_db(riff, riff.key[0], off + 0.012, off + 0.030) < -20.0


def test_stops_are_60_to_400_ms() -> None:
    """Over eight riffs: never shorter than 60 ms, some under 80, some over 300 ms."""
    stops = []
    for seed in range(8):
        spans = stop_and_go(seed, n_bars=2, rate=44100).spans
        stops += [b[0] - a[1] for a, b in pairwise(spans)]
    assert SHORTEST_STOP_S - 1e-9 <= min(stops) < 0.080
    assert 0.300 < max(stops) < 0.420


def test_stops_hold_the_hiss_hum_and_bleed_asked_for() -> None:
    """Before the riff starts: hiss or hum within 0.5 dB; drums within 3: half a second is no average."""
    for hiss_db, hum_db, bleed_db in ((-30.0, -80.0, None), (-80.0, -30.0, None), (-80.0, -80.0, -24.0)):
        riff = stop_and_go(5, hiss_db=hiss_db, hum_db=hum_db, bleed_db=bleed_db)
        wanted = max(hiss_db, hum_db, -99.0 if bleed_db is None else bleed_db)
        assert level_db(riff, riff.key[0], 0.0, 0.45) == pytest.approx(wanted, abs=3.0 if bleed_db else 0.5)


def test_a_long_sustain_has_decayed_when_it_is_stopped() -> None:
    """The third phrase ends 30 dB down, and says so."""
    riff = stop_and_go(1, hiss_db=-60.0)
    on, off = riff.spans[2]
    assert riff.end_db[2] == pytest.approx(-30.0, abs=0.1)
    assert off - on > 0.8
    assert level_db(riff, riff.key[0], off - 0.030, off - 0.006) == pytest.approx(-29.0, abs=3.0)
    assert riff.end_db[0] == 0.0


def test_a_quiet_verse_is_12_db_softer() -> None:
    """Same riff with and without: the quiet part differs by 12 dB, the rest by nothing but the hiss."""
    settings: dict[str, Any] = {"hiss_db": -90.0, "hum_db": -90.0, "sustain_db": 0.0}
    plain, riff = stop_and_go(4, **settings), stop_and_go(4, quiet_verse=True, **settings)
    assert riff.quiet is not None and plain.quiet is None and plain.spans == riff.spans
    for on, off in riff.spans:
        inside = riff.quiet[0] <= on + 0.001 and off <= riff.quiet[1] + 0.01
        softer = level_db(plain, plain.key[0], on, off) - level_db(riff, riff.key[0], on, off)
        assert softer == pytest.approx(12.0 if inside else 0.0, abs=0.3)
    assert 1 <= sum(db == pytest.approx(-12.0) for db in riff.end_db) < len(riff.spans) - 1


def test_a_fade_out_ends_where_it_is_30_db_down() -> None:
    """The last span ends when the last chord has faded by 30 dB (within 4 dB: the string decays too)."""
    riff = stop_and_go(2, fade_out=True, hiss_db=-90.0, hum_db=-90.0)
    on, off = riff.spans[-1]
    assert riff.end_db[-1] == -30.0 and off < riff.seconds
    faded = level_db(riff, riff.key[0], off - 0.02, off + 0.02) - level_db(riff, riff.key[0], on, on + 0.1)
    assert faded == pytest.approx(-30.0, abs=4.0)


def test_the_room_is_late_and_rings_on() -> None:
    """The room mic hears a start 9 ms after the key, and 30 ms after a stop it is far louder than the key."""
    riff = stop_and_go(3, hiss_db=-70.0, hum_db=-70.0)
    on, off = riff.spans[0]
    assert level_db(riff, riff.room, on, on + 0.008) < -40.0
    assert level_db(riff, riff.room, on + 0.010, on + 0.014) > -25.0
    after = [level_db(riff, x, off + 0.030, off + 0.050) for x in (riff.key[0], riff.room)]
    assert after[1] > after[0] + 15.0


def test_a_seed_is_a_riff() -> None:
    """Same seed, same bits; another seed, other times."""
    one, same, other = stop_and_go(6, n_bars=2), stop_and_go(6, n_bars=2), stop_and_go(7, n_bars=2)
    assert np.array_equal(one.key, same.key) and one.spans == same.spans
    assert one.spans != other.spans
