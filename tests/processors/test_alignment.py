"""Alignment with chains on the mics: solved on the signals as they are summed, and the cost of a chain's phase told."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from premix.arrays import FloatArray
from premix.messages import REMEDIES
from premix.model.alignment import MicDecision
from premix.model.settings import Chain
from premix.model.song import Song
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.songs import Settings, decide_rig, decisions_of, told

from .driving import step


@pytest.fixture(scope="module")
def rig() -> Rig:
    """Two close mics and a sub mic on a simulated cabinet."""
    return random_cabinet(21, rate=48_000, seconds=6.0, n_close=2, colour="mild", noise_db=-50.0)


def decide(
    rig: Rig,
    chains: dict[int, Chain],
    signals: FloatArray | None = None,
    group: Settings | None = None,
    **alignment: Any,
) -> Song:
    """The song with chains on some mics, aligned; alignment: changes to that section of the recipe."""
    heard = rig if signals is None else replace(rig, signals=signals)
    mics = {rig.mics[index].name: {"chain": chain} for index, chain in chains.items()}
    return decide_rig(heard, mics, {"groups": {"g": group}} if group else None, **alignment)


def decision(song: Song, index: int) -> MicDecision:
    """Of one mic, in the rig's order."""
    return decisions_of(song)[index]


def efficiency_db(song: Song) -> float:
    """Of the sum, as aligned."""
    return song.performances[0].efficiency.after_db


def costly(song: Song) -> list[str]:
    """The mics whose chain is told to cost efficiency."""
    return [finding.subject for finding in told(song, "chain-costs-efficiency")]


def test_a_delay_in_a_chain_is_taken_back_by_the_alignment(rig: Rig) -> None:
    """1 ms later in the chain, 48 samples more to advance; the polarity and the efficiency stay."""
    plain, later = decide(rig, {}), decide(rig, {1: (step("delay", delay_ms=1.0),)})
    assert decision(later, 1).delay_samples == pytest.approx(decision(plain, 1).delay_samples + 48.0, abs=0.01)
    assert decision(later, 1).polarity == decision(plain, 1).polarity
    assert efficiency_db(later) == pytest.approx(efficiency_db(plain), abs=0.01)


def test_a_polarity_in_a_chain_is_taken_back_too(rig: Rig) -> None:
    """Turned over by hand in the chain, turned back by the decision."""
    plain, turned = decide(rig, {}), decide(rig, {1: (step("polarity"),)})
    assert decision(turned, 1).polarity == -decision(plain, 1).polarity


@pytest.mark.parametrize("mic", [1, 2])
def test_a_chain_is_seen_as_if_the_file_had_been_filtered(rig: Rig, mic: int) -> None:
    """The same answers for the chain in the recipe and for the same filters, by scipy, in the file."""
    sections = np.vstack([
        butter(2, 60.0, "highpass", fs=rig.rate, output="sos"), butter(4, 150.0, "lowpass", fs=rig.rate, output="sos")
    ])  # fmt: skip
    chain: Chain = (step("high_pass", cutoff_hz=60.0), step("low_pass", cutoff_hz=150.0, slope_db_oct=24))
    if mic == 1:
        chain, sections = chain[:1], sections[:1]
    filtered = rig.signals.copy()
    filtered[mic] = sosfilt(sections, filtered[mic])
    by_chain = decision(decide(rig, {mic: chain}, search_ms=15.0), mic)
    by_file = decision(decide(rig, {}, filtered, search_ms=15.0), mic)
    assert by_chain.polarity == by_file.polarity
    # filtering across the frames of the analysis is not quite filtering the whole file; a sub mic is less sharp
    assert by_chain.delay_samples == pytest.approx(by_file.delay_samples, abs=0.1 if mic == 1 else 1.0)


def test_a_low_passed_sub_mic_is_aligned_with_its_filter_in_place(rig: Rig) -> None:
    """The filter's own delay (2 to 4 ms at 24 dB/oct) is made up for; with linear phase there is none."""
    names = [m.name for m in rig.mics]
    sub = [m.role for m in rig.mics].index("sub")
    low_pass = {"cutoff_hz": 160.0, "slope_db_oct": 24}
    plain = decision(decide(rig, {}), sub)
    turned = decision(decide(rig, {sub: (step("low_pass", **low_pass),)}, search_ms=15.0), sub)
    linear = decision(decide(rig, {sub: (step("low_pass", phase="linear", **low_pass),)}), sub)
    assert names[sub] == turned.mic
    assert turned.delay_samples - plain.delay_samples > 48.0
    assert abs(linear.delay_samples - plain.delay_samples) < 10.0


def test_a_group_reaches_the_alignment(rig: Rig) -> None:
    """A delay in a group's chain, on one mic: as in the mic's own chain."""
    grouped = decide(rig, {}, group={"mics": (rig.mics[1].name,), "chain": (step("delay", delay_ms=1.0),)})
    own = decide(rig, {1: (step("delay", delay_ms=1.0),)})
    assert decision(grouped, 1).delay_samples == decision(own, 1).delay_samples


STEEP = {"cutoff_hz": 100.0, "slope_db_oct": 48}


def test_a_chain_that_costs_efficiency_is_named_with_what_linear_phase_would_reach(rig: Rig) -> None:
    """A steep high-pass on one of three mics: its lows turn against the others'. A mere delay on another costs nothing.

    The two figures are those of the decisions themselves, with the filter and with its linear-phase twin.
    """
    turned, linear = (
        decide(rig, {0: (step("high_pass", phase=phase, **STEEP),), 1: (step("delay", delay_ms=1.0),)})
        for phase in ("minimum", "linear")
    )
    (finding,) = told(turned, "chain-costs-efficiency")
    assert (finding.severity, finding.subject) == ("warning", f"left_a/{rig.mics[0].name}")
    assert finding.hint == REMEDIES["chain-costs-efficiency"]
    cost, with_db, without_db = (
        float(finding.message.split(after)[1].split(" dB")[0]) for after in ("costs ", "efficiency (", "instead of ")
    )
    assert with_db == pytest.approx(efficiency_db(turned), abs=0.051)  # told to 0.1 dB
    assert without_db == pytest.approx(efficiency_db(linear), abs=0.051)
    assert cost == pytest.approx(efficiency_db(linear) - efficiency_db(turned), abs=0.051)
    assert cost > 0.3


def test_of_two_costly_chains_the_worse_is_named(rig: Rig) -> None:
    """80 Hz at 12 dB/oct on one mic costs less than 100 Hz at 48 dB/oct on the other, whatever their order."""
    for mild, steep in ((0, 1), (1, 0)):
        mild_step = step("high_pass", cutoff_hz=60.0, slope_db_oct=6)
        result = decide(rig, {mild: (mild_step,), steep: (step("high_pass", **STEEP),)})
        assert costly(result) == [f"left_a/{rig.mics[steep].name}"]


def test_the_same_chain_on_every_mic_costs_nothing(rig: Rig) -> None:
    """All are turned alike: the sum is as good as before."""
    result = decide(rig, {mic: (step("high_pass", **STEEP),) for mic in range(len(rig.mics))})
    assert costly(result) == []


@pytest.mark.parametrize(
    "chain",
    [
        (step("high_pass", phase="linear", **STEEP),),
        (step("gain", gain_db=-3.0), step("compressor", threshold_db=-20.0)),
        (step("delay", delay_ms=1.0),),
        (step("polarity"),),
        (step("high_pass", cutoff_hz=20.0),),
    ],
)
def test_a_chain_that_costs_little_is_not_named(rig: Rig, chain: Chain) -> None:
    """Linear phase, gains, dynamics, what the alignment takes back, a corner below the guitar."""
    result = decide(rig, {0: chain})
    assert costly(result) == []


def test_linear_phase_does_not_move_the_alignment(rig: Rig) -> None:
    """Where a minimum-phase filter would move the answer, its linear-phase twin leaves it within 0.05 sample."""
    plain = decision(decide(rig, {}), 1)
    linear = decision(decide(rig, {1: (step("high_pass", phase="linear", cutoff_hz=120.0),)}), 1)
    assert linear.delay_samples == pytest.approx(plain.delay_samples, abs=0.05)
