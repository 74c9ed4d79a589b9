"""Alignment with chains on the mics: solved on the signals as they are summed, and the cost of a chain's phase told."""

from typing import Any

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from premix.alignment.decide import align
from premix.messages import REMEDIES
from premix.model.alignment import Alignment
from premix.model.recipe import Group
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.decisions import analysis_of, recipe_for

from .driving import step


@pytest.fixture(scope="module")
def rig() -> Rig:
    """Two close mics and a sub mic on a simulated cabinet."""
    return random_cabinet(21, rate=48_000, seconds=6.0, n_close=2, colour="mild", noise_db=-50.0)


def decide(
    rig: Rig, chains: dict[int, tuple[Any, ...]], signals: Any = None, group: Group | None = None, **alignment: Any
) -> Alignment:
    """Decisions with chains on some mics; alignment: changes to that section of the recipe."""
    names, roles = [m.name for m in rig.mics], [m.role for m in rig.mics]
    changes = {names[index]: {"chain": chain} for index, chain in chains.items()}
    recipe = recipe_for(names, roles, mic_changes=changes, **alignment)
    if group is not None:
        recipe = recipe.model_copy(update={"groups": {"g": group}})
    given = {"left_a": rig.signals if signals is None else signals}
    return align(recipe, analysis_of(given, rig.rate, names, roles))


def test_a_delay_in_a_chain_is_taken_back_by_the_alignment(rig: Rig) -> None:
    """1 ms later in the chain, 48 samples more to advance; the polarity and the efficiency stay."""
    plain, later = decide(rig, {}), decide(rig, {1: (step("delay", delay_ms=1.0),)})
    assert later.decisions[1].delay_samples == pytest.approx(plain.decisions[1].delay_samples + 48.0, abs=0.01)
    assert later.decisions[1].polarity == plain.decisions[1].polarity
    assert later.efficiencies[0].after_db == pytest.approx(plain.efficiencies[0].after_db, abs=0.01)


def test_a_polarity_in_a_chain_is_taken_back_too(rig: Rig) -> None:
    """Turned over by hand in the chain, turned back by the decision."""
    plain, turned = decide(rig, {}), decide(rig, {1: (step("polarity"),)})
    assert turned.decisions[1].polarity == -plain.decisions[1].polarity


@pytest.mark.parametrize("mic", [1, 2])
def test_a_chain_is_seen_as_if_the_file_had_been_filtered(rig: Rig, mic: int) -> None:
    """The same answers for the chain in the recipe and for the same filters, by scipy, in the file."""
    sections = np.vstack([
        butter(2, 60.0, "highpass", fs=rig.rate, output="sos"), butter(4, 150.0, "lowpass", fs=rig.rate, output="sos")
    ])  # fmt: skip
    chain = (step("high_pass", cutoff_hz=60.0), step("low_pass", cutoff_hz=150.0, slope_db_oct=24))
    if mic == 1:
        chain, sections = chain[:1], sections[:1]
    filtered = rig.signals.copy()
    filtered[mic] = sosfilt(sections, filtered[mic])
    by_chain = decide(rig, {mic: chain}, search_ms=15.0).decisions[mic]
    by_file = decide(rig, {}, filtered, search_ms=15.0).decisions[mic]
    assert by_chain.polarity == by_file.polarity
    # filtering across the frames of the analysis is not quite filtering the whole file; a sub mic is less sharp
    assert by_chain.delay_samples == pytest.approx(by_file.delay_samples, abs=0.1 if mic == 1 else 1.0)


def test_a_low_passed_sub_mic_is_aligned_with_its_filter_in_place(rig: Rig) -> None:
    """The filter's own delay (2 to 4 ms at 24 dB/oct) is made up for; with linear phase there is none."""
    names = [m.name for m in rig.mics]
    sub = [m.role for m in rig.mics].index("sub")
    low_pass = {"cutoff_hz": 160.0, "slope_db_oct": 24}
    plain = decide(rig, {}).decisions[sub]
    turned = decide(rig, {sub: (step("low_pass", **low_pass),)}, search_ms=15.0).decisions[sub]
    linear = decide(rig, {sub: (step("low_pass", phase="linear", **low_pass),)}).decisions[sub]
    assert names[sub] == turned.mic
    assert turned.delay_samples - plain.delay_samples > 48.0
    assert abs(linear.delay_samples - plain.delay_samples) < 10.0


def test_a_group_reaches_the_alignment(rig: Rig) -> None:
    """A delay in a group's chain, on one mic: as in the mic's own chain."""
    grouped = decide(rig, {}, group=Group(mics=(rig.mics[1].name,), chain=(step("delay", delay_ms=1.0),)))
    own = decide(rig, {1: (step("delay", delay_ms=1.0),)})
    assert grouped.decisions[1].delay_samples == own.decisions[1].delay_samples


STEEP = {"cutoff_hz": 100.0, "slope_db_oct": 48}


def test_a_chain_that_costs_efficiency_is_named_with_what_linear_phase_would_reach(rig: Rig) -> None:
    """A steep high-pass on one of three mics: its lows turn against the others'. A mere delay on another costs nothing.

    The two figures are those of the decisions themselves, with the filter and with its linear-phase twin.
    """
    turned, linear = (
        decide(rig, {0: (step("high_pass", phase=phase, **STEEP),), 1: (step("delay", delay_ms=1.0),)})
        for phase in ("minimum", "linear")
    )
    (finding,) = [f for f in turned.findings if f.slug == "chain-costs-efficiency"]
    assert (finding.severity, finding.subject) == ("warning", f"left_a/{rig.mics[0].name}")
    assert finding.hint == REMEDIES["chain-costs-efficiency"]
    cost, with_db, without_db = (
        float(finding.message.split(after)[1].split(" dB")[0]) for after in ("costs ", "efficiency (", "instead of ")
    )
    assert with_db == pytest.approx(turned.efficiencies[0].after_db, abs=0.051)  # told to 0.1 dB
    assert without_db == pytest.approx(linear.efficiencies[0].after_db, abs=0.051)
    assert cost == pytest.approx(linear.efficiencies[0].after_db - turned.efficiencies[0].after_db, abs=0.051)
    assert cost > 0.3


def test_of_two_costly_chains_the_worse_is_named(rig: Rig) -> None:
    """80 Hz at 12 dB/oct on one mic costs less than 100 Hz at 48 dB/oct on the other, whatever their order."""
    for mild, steep in ((0, 1), (1, 0)):
        mild_step = step("high_pass", cutoff_hz=60.0, slope_db_oct=6)
        result = decide(rig, {mild: (mild_step,), steep: (step("high_pass", **STEEP),)})
        found = [f.subject for f in result.findings if f.slug == "chain-costs-efficiency"]
        assert found == [f"left_a/{rig.mics[steep].name}"]


def test_the_same_chain_on_every_mic_costs_nothing(rig: Rig) -> None:
    """All are turned alike: the sum is as good as before."""
    result = decide(rig, {mic: (step("high_pass", **STEEP),) for mic in range(len(rig.mics))})
    assert [f.slug for f in result.findings if f.slug == "chain-costs-efficiency"] == []


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
def test_a_chain_that_costs_little_is_not_named(rig: Rig, chain: tuple[Any, ...]) -> None:
    """Linear phase, gains, dynamics, what the alignment takes back, a corner below the guitar."""
    result = decide(rig, {0: chain})
    assert [f.slug for f in result.findings if f.slug == "chain-costs-efficiency"] == []


def test_linear_phase_does_not_move_the_alignment(rig: Rig) -> None:
    """Where a minimum-phase filter would move the answer, its linear-phase twin leaves it within 0.05 sample."""
    plain = decide(rig, {}).decisions[1]
    linear = decide(rig, {1: (step("high_pass", phase="linear", cutoff_hz=120.0),)}).decisions[1]
    assert linear.delay_samples == pytest.approx(plain.delay_samples, abs=0.05)
