"""Real guitar samples and synthetic strings through an amp, with hiss, hum, drums and quiet verses: found and
gated."""

from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest

from premix.demo.session import perform_session
from premix.model.settings import Gate
from tests.gate.gated_riff import (
    GatedRiff,
    boundaries,
    clicks_db,
    compared_riff,
    envelopes,
    f_measure,
    gate_riff,
    opening_db,
)

CASES: dict[str, dict[str, Any]] = {
    "plain": {},
    "hiss 30 dB down": {"hiss_db": -30.0},
    "hum": {"hum_db": -35.0},
    "quiet verse": {"quiet_verse": True},
    "drum bleed": {"bleed_db": -24.0},
    "fade-out": {"fade_out": True},
    "synthetic": {"samples": "synth", "bleed_db": -24.0, "rate": 44100},
    "96 kHz": {"rate": 96000, "n_bars": 3},
}


@lru_cache
def case(name: str, seed: int) -> GatedRiff:
    tempo = float(np.random.default_rng([seed, len(name)]).uniform(80.0, 260.0))
    with TemporaryDirectory() as folder:
        return gate_riff(seed, Path(folder), **{"tempo_bpm": tempo, "n_bars": 4, **CASES[name]})


def cases() -> list[tuple[str, int]]:
    return [(name, seed) for name in CASES for seed in (11, 12)]


@pytest.mark.parametrize(("name", "seed"), cases())
@pytest.mark.parametrize("which", [0, 1], ids=["starts", "stops"])
def test_every_start_and_stop_is_found_within_10_ms(name: str, seed: int, which: int) -> None:
    """F = 1.00 with one-to-one matching (mir_eval) at 10 ms."""
    times = boundaries(case(name, seed), which)
    assert times[0].size >= 3
    assert f_measure([times], 0.010) == 1.0


@pytest.mark.parametrize(("name", "seed"), cases())
def test_the_gate_is_fully_open_before_the_rooms_first_direct_sound(name: str, seed: int) -> None:
    """0 dB within 0.01 dB at every start."""
    assert np.abs(opening_db(case(name, seed))).max() < 0.01


@pytest.mark.parametrize(("name", "seed"), cases())
def test_no_transition_clicks(name: str, seed: int) -> None:
    """Above 10 kHz, in the 10 ms around every corner: at most 1 dB more than without the gate."""
    assert clicks_db(case(name, seed)) < 1.0


def test_stops_are_closed_by_the_range_and_passages_are_open() -> None:
    """In a stop of at least 0.2 s the gain reaches -60 dB within 0.1 dB; in a passage it is 0 dB within 0.01
    dB."""
    closed = 0
    for name, seed in cases():
        riff = case(name, seed)
        gain_db = 20.0 * np.log10(riff.gains())
        for on, off in riff.rig.spans:
            start, stop = (round(t * riff.rig.rate + riff.arrival) for t in (on, off))
            if riff.audible.all():
                assert np.abs(gain_db[start : stop - round(0.01 * riff.rig.rate)]).max() < 0.01
        for (_, off), (on, _) in zip(riff.riff.spans, riff.riff.spans[1:], strict=False):
            if on - off > 0.2:
                part = gain_db[round(off * riff.rig.rate) : round(on * riff.rig.rate)]
                assert part.min() == pytest.approx(-60.0, abs=0.1)
                closed += 1
    assert closed > 20


@pytest.mark.parametrize("size", [32, 1000, 57_600])
def test_the_room_is_gated_alike_in_every_block_size(size: int) -> None:
    """Bit for bit."""
    riff = case("plain", 11)
    assert np.array_equal(riff.gains(size), riff.gains())


def test_a_key_with_dc_is_found_alike(tmp_path: Path) -> None:
    """A quarter of full scale of offset in one mic."""
    rig = case("plain", 11).rig
    plain = compared_riff(envelopes(rig.key, rig.rate, tmp_path), np.ones(2), np.zeros(2), Gate())
    offset = np.array([[0.25], [0.0]])
    moved = compared_riff(envelopes(rig.key + offset, rig.rate, tmp_path), np.ones(2), np.zeros(2), Gate())
    assert moved.spans == plain.spans


def test_the_demo_session_is_found(tmp_path: Path) -> None:
    """Two takes of the demo's riff: F = 1.00 within 10 ms of its own truth."""
    takes = perform_session(12.0, 48000, 3, ("left_a", "centre"))
    for truth, recorded in takes:
        close = np.array([signal for mic, signal in recorded if mic.role == "close"])
        riff = compared_riff(envelopes(close, 48000, tmp_path), np.ones(3), np.zeros(3), Gate())
        for which in (0, 1):
            true = np.array([span[which] for span in truth.riff])
            found = np.array([span[which] for span in riff.spans])
            assert f_measure([(true, found)], 0.010) == 1.0
