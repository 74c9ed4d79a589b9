"""Decisions of the whole stage: by hand, pooled, moved, refused, rooms, invariances."""

from dataclasses import replace

import numpy as np
import pytest

from premix.alignment.decide import align
from premix.model.recipe import ChainStep, DelayByHand, MicException, Performance
from tests.rigs.accuracy import shifted, solve_signals
from tests.rigs.cabinets import random_cabinet
from tests.rigs.decisions import analysis_of, decide_rig, recipe_for

QUICK = {"rate": 48000, "seconds": 6.0, "n_close": 2, "colour": "mild", "noise_db": -50.0}


@pytest.fixture(scope="module")
def rig():
    return random_cabinet(21, **QUICK)


@pytest.fixture(scope="module")
def takes():
    """Three performances of one set-up."""
    return [random_cabinet(22, take=take, **QUICK) for take in range(3)]


def decide_takes(rigs, changed=None, **alignment):
    """Decisions by (performance, mic index) for several takes; `changed`: signals by take."""
    names, roles = [m.name for m in rigs[0].mics], [m.role for m in rigs[0].mics]
    performances = tuple(f"take_{i}" for i in range(len(rigs)))
    recipe = recipe_for(names, roles, performances, **alignment)
    signals = {p: (changed or {}).get(i, rigs[i].signals) for i, p in enumerate(performances)}
    result = align(recipe, analysis_of(signals, rigs[0].rate, names, roles))
    return result, {(d.performance, names.index(d.mic)): d for d in result.decisions}


def test_the_reference_never_moves_and_efficiency_never_falls(rig):
    """The reference keeps delay 0 and polarity 1; as decided is at least as good as as recorded."""
    alignment = decide_rig(rig)
    assert (alignment.decisions[0].delay_samples, alignment.decisions[0].polarity) == (0.0, 1)
    assert alignment.efficiencies[0].after_db >= alignment.efficiencies[0].before_db


def test_an_inverted_input_flips_only_its_own_polarity(rig):
    """Same delays to 1e-6 sample, same efficiency, the other sign."""
    plain = decide_rig(rig).decisions
    flipped = decide_rig(rig.with_channel(1, -rig.signals[1])).decisions
    assert [a.polarity * b.polarity for a, b in zip(plain, flipped, strict=True)] == [1, -1, 1]
    assert np.allclose([d.delay_samples for d in plain], [d.delay_samples for d in flipped], atol=1e-6)


def test_order_of_the_mics_and_a_common_gain_change_nothing(rig):
    """Mics listed backwards (the reference named), all signals 10 dB down: the same decisions to 1e-4 sample."""
    plain = {m.name: d for m, d in zip(rig.mics, decide_rig(rig).decisions, strict=True)}
    names, roles = [m.name for m in rig.mics][::-1], [m.role for m in rig.mics][::-1]
    recipe = recipe_for(names, roles, reference=rig.mics[0].name)
    signals = rig.signals[::-1] * 10 ** (-10 / 20)
    for decision in align(recipe, analysis_of({"left_a": signals}, rig.rate, names, roles)).decisions:
        assert decision.polarity == plain[decision.mic].polarity
        assert decision.delay_samples == pytest.approx(plain[decision.mic].delay_samples, abs=1e-4)


def test_a_good_mic_20_db_down_or_dark_is_not_refused(rig):
    """Level and colour alone are no reason to refuse."""
    quiet = decide_rig(rig.with_channel(1, rig.signals[1] * 0.1)).decisions[1]
    dark = decide_rig(rig.with_channel(1, np.convolve(rig.signals[1], np.ones(60) / 60, "same"))).decisions[1]
    assert quiet.refusal is None
    assert dark.refusal is None


def test_values_by_hand_are_kept_and_the_rest_is_found_around_them(rig):
    """Delay in cm and samples, polarity alone; ISO 9613-1 speed of sound at 20 C is 343.2 m/s."""
    by_hand = {rig.mics[1].name: {"delay": DelayByHand(cm=34.32), "polarity": "inverted"}}
    decision = decide_rig(rig, mic_changes=by_hand).decisions[1]
    assert decision.delay_samples == pytest.approx(48.0, abs=1e-9)
    assert (decision.polarity, decision.origin) == (-1, "recipe")
    free = decide_rig(rig).decisions[1]
    opposite = "inverted" if free.polarity > 0 else "normal"
    forced = decide_rig(rig, mic_changes={rig.mics[1].name: {"polarity": opposite}}).decisions[1]
    assert forced.polarity == -free.polarity
    assert forced.delay_samples != pytest.approx(free.delay_samples, abs=0.5)


def test_performances_of_one_set_up_share_their_answer(takes):
    """Pooled: bit-equal delays; alone, they agree within the tolerance of pooling."""
    _, pooled = decide_takes(takes)
    _, alone = decide_takes(takes, pool=False)
    for m in (1, 2):
        assert len({pooled[f"take_{i}", m].delay_samples for i in range(3)}) == 1
        spread = np.ptp([alone[f"take_{i}", m].delay_samples for i in range(3)])
        assert spread <= (6.0 if takes[0].mics[m].role == "sub" else 1.2)


def test_a_mic_that_was_moved_in_one_performance_is_named_and_keeps_its_own_delay(takes):
    """14 samples (10 cm) in take 1 only: found there, and not in the pool of the others."""
    moved = takes[1].signals.copy()
    moved[1] = shifted(moved[1], 14.0)
    result, decisions = decide_takes(takes, {1: moved})
    assert decisions["take_1", 1].moved_samples == pytest.approx(14.0, abs=1.2)
    assert decisions["take_0", 1].moved_samples is None
    assert [f.subject for f in result.findings if f.slug == "alignment-moved"] == [f"take_1/{takes[0].mics[1].name}"]


@pytest.mark.parametrize("odd", [0, 1])
def test_a_mic_that_was_inverted_in_one_performance_shares_the_delay_and_is_named(takes, odd):
    """A polarity switch moves no mic: the same delay to the last bit, one polarity turned, one finding."""
    names = [m.name for m in takes[0].mics]
    _, plain = decide_takes(takes)
    flipped = takes[odd].signals.copy()
    flipped[1:3] *= -1.0
    result, decisions = decide_takes(takes, {odd: flipped})
    for (performance, mic), decision in decisions.items():
        turned = performance == f"take_{odd}" and mic in (1, 2)
        assert decision.polarity == plain[performance, mic].polarity * (-1 if turned else 1)
        assert decision.delay_samples == plain[performance, mic].delay_samples
        assert decision.moved_samples is None
    named = [f.subject for f in result.findings if f.slug == "alignment-inverted"]
    assert named == [f"take_{odd}/{names[1]}", f"take_{odd}/{names[2]}"]


@pytest.mark.parametrize("search_ms", [2.0, 4.0])
def test_a_low_passed_sub_mic_is_found_beyond_the_search(takes, search_ms):
    """The filter's own delay (2.6 ms, a Butterworth prototype of 4th order at 160 Hz) is not distance."""
    rig = next(t for t in takes if t.mics[2].role == "sub")
    low_pass = ChainStep(kind="low_pass", params={"cutoff_hz": 160.0, "slope_db_oct": 24})
    plain = decide_rig(rig, search_ms=4.0).decisions[2]
    decision = decide_rig(rig, mic_changes={rig.mics[2].name: {"chain": (low_pass,)}}, search_ms=search_ms).decisions[2]
    assert decision.refusal is None
    assert 0.0015 < (decision.delay_samples - plain.delay_samples) / rig.rate < 0.0040


def test_a_set_up_that_changed_in_every_performance_still_aligns(takes):
    """Each take gets its own delay, and each is right."""
    shifts = (0.0, 20.0, -17.0)
    changed = {
        i: np.vstack([t.signals[0], shifted(t.signals[1], s), t.signals[2:]])
        for i, (t, s) in enumerate(zip(takes, shifts, strict=True))
    }
    _, decisions = decide_takes(takes, changed)
    found = [decisions[f"take_{i}", 1].delay_samples - shifts[i] for i in range(3)]
    assert np.ptp(found) <= 1.2


def test_a_dead_reference_is_told_with_the_next_best_offered(takes):
    """Its own finding names another mic as reference; the others still align among themselves."""
    rig = random_cabinet(23, **(QUICK | {"n_close": 3}))
    alignment = decide_rig(rig.with_channel(0, np.zeros(rig.signals.shape[1])))
    finding = next(f for f in alignment.findings if f.slug == "alignment-reference")
    assert "reference: " in finding.message
    assert [d.refusal for d in alignment.decisions[1:]] == [None, None, None]
    relative = alignment.decisions[2].polarity * alignment.decisions[1].polarity
    assert relative == rig.mics[2].polarity * rig.mics[1].polarity


def test_a_mic_beyond_the_search_is_refused_at_its_edge(rig):
    """The whole distance lies outside a search of 0.1 ms."""
    late = rig.with_channel(1, shifted(rig.signals[1], 60.0))
    decision = decide_rig(late, search_ms=0.1).decisions[1]
    assert decision.refusal in ("alignment-edge", "alignment-ambiguous")


def test_refused_says_what_happens_to_the_mic(rig):
    """mute takes it out of the sum, keep leaves it in as recorded, stop leaves the choice to the render."""
    dead = rig.with_channel(1, 1e-3 * np.random.default_rng(5).standard_normal(rig.signals.shape[1]))
    for refused, summed in (("mute", False), ("keep", True), ("stop", False)):
        decision = decide_rig(dead, refused=refused).decisions[1]
        assert (decision.refusal, decision.summed) == ("alignment-incoherent", summed)
        assert (decision.delay_samples, decision.polarity) == (0.0, 1)


def test_a_performance_with_one_mic_has_nothing_to_align(rig):
    """Fine: no refusal, no efficiency lost."""
    names, roles = [rig.mics[0].name], ["close"]
    alignment = align(recipe_for(names, roles), analysis_of({"left_a": rig.signals[:1]}, rig.rate, names, roles))
    assert alignment.decisions[0].refusal is None
    assert alignment.efficiencies[0].after_db == 0.0


def test_a_room_mic_keeps_its_distance_and_gets_its_polarity():
    """delay none by default: nothing is moved, the arrival is known; auto applies it."""
    rig = random_cabinet(24, room=True, **QUICK)
    room = len(rig.mics) - 1
    decision = decide_rig(rig).decisions[room]
    expected = rig.arrivals[room] - rig.arrivals[0]
    assert decision.delay_samples == 0.0
    assert decision.arrival_samples == pytest.approx(expected, abs=8.0)  # colours of both mics turn the phase too
    auto = decide_rig(rig, mic_changes={rig.mics[room].name: {"delay": "auto"}}).decisions[room]
    assert auto.delay_samples == pytest.approx(decision.arrival_samples, abs=0.01)


def test_per_performance_exceptions_stand_alone(takes):
    """A delay by hand in one take leaves the others pooled."""
    names, roles = [m.name for m in takes[0].mics], [m.role for m in takes[0].mics]
    recipe = recipe_for(names, roles, ("take_0", "take_1", "take_2"))
    by_hand = Performance(bus="left", mics={names[1]: MicException(delay=DelayByHand(samples=3.5), polarity="normal")})
    recipe = recipe.model_copy(update={"performances": {**recipe.performances, "take_1": by_hand}})
    signals = {f"take_{i}": t.signals for i, t in enumerate(takes)}
    alignment = align(recipe, analysis_of(signals, takes[0].rate, names, roles))
    assert alignment.of("take_1", names[1]).delay_samples == 3.5
    assert alignment.of("take_0", names[1]).delay_samples == alignment.of("take_2", names[1]).delay_samples


def test_rotation_gains_or_stays_away():
    """One all-pass a mic at most, only for 0.1 dB or more; efficiency with it is as the solver promised."""
    rig = random_cabinet(3, **(QUICK | {"n_close": 3, "colour": "strong"}))
    plain, turned = decide_rig(rig), decide_rig(rig, rotate="auto")
    rotated = [d for d in turned.decisions if d.rotation is not None]
    gain = turned.efficiencies[0].after_db - plain.efficiencies[0].after_db
    assert rotated
    assert gain >= 0.1 * len(rotated)
    assert turned.decisions[0].rotation is None


def test_identical_copies_sum_to_the_limit():
    """Three copies with delays and signs of their own reach 0 dB: every band of every mic in phase."""
    source = random_cabinet(25, **QUICK).signals[0]
    signals = [source, -shifted(source, 7.25), shifted(source, -3.5)]
    decisions = solve_signals(signals, 48000)
    assert [d.polarity for d in decisions] == [1, -1, 1]
    assert [d.delay_samples for d in decisions] == pytest.approx([0.0, 7.25, -3.5], abs=0.01)


def test_records_of_a_decision_can_be_replaced(rig):
    """Decisions are frozen records."""
    decision = decide_rig(rig).decisions[1]
    with pytest.raises(AttributeError):
        decision.polarity = 1
    assert replace(decision, polarity=-1).polarity == -1


def test_a_refused_mic_that_the_recipe_mutes_does_not_stop_the_render(rig):
    """Its refusal is told as a warning: it is out of the sum already."""
    dead = rig.with_channel(1, np.zeros(rig.signals.shape[1]))
    muted = decide_rig(dead, mic_changes={rig.mics[1].name: {"mute": True}}, refused="stop")
    heard = decide_rig(dead, refused="stop")
    assert [f.severity for f in muted.findings if f.slug == "alignment-silent"] == ["warning"]
    assert [f.severity for f in heard.findings if f.slug == "alignment-silent"] == ["error"]
