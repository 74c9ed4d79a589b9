"""Decisions of the whole stage: by hand, pooled, moved, refused, rooms, invariances."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from premix.alignment.decide import align
from premix.arrays import FloatArray
from premix.model.alignment import MicDecision
from premix.model.settings import ChainStep
from premix.model.song import Song
from tests.rigs.accuracy import band_noise, shifted, solve_signals
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.songs import decide_rig, decisions_of, recipe_of, rig_song, song_from, told, with_signals

QUICK: dict[str, Any] = {"rate": 48000, "seconds": 6.0, "n_close": 2, "colour": "mild", "noise_db": -50.0}


@pytest.fixture(scope="module")
def rig() -> Rig:
    return random_cabinet(21, **QUICK)


@pytest.fixture(scope="module")
def takes() -> list[Rig]:
    """Three performances of one set-up."""
    return [random_cabinet(22, take=take, **QUICK) for take in range(3)]


def decide_takes(
    rigs: list[Rig], changed: dict[int, FloatArray] | None = None, **alignment: Any
) -> tuple[Song, dict[tuple[str, int], MicDecision]]:
    """The song of several takes, and its decisions by (performance, mic index); `changed`: signals by take."""
    signals = {i: (changed or {}).get(i, rig.signals) for i, rig in enumerate(rigs)}
    song = align(rig_song({f"take_{i}": replace(rig, signals=signals[i]) for i, rig in enumerate(rigs)}, **alignment))
    return song, {(d.performance, rigs[0].names.index(d.mic)): d for d in decisions_of(song)}


def test_the_reference_never_moves_and_efficiency_never_falls(rig: Rig) -> None:
    """The reference keeps delay 0 and polarity 1; as decided is at least as good as as recorded."""
    song = decide_rig(rig)
    reference, efficiency = decisions_of(song)[0], song.performances[0].efficiency
    assert (reference.delay_samples, reference.polarity) == (0.0, 1)
    assert efficiency.after_db >= efficiency.before_db


def test_an_inverted_input_flips_only_its_own_polarity(rig: Rig) -> None:
    """Same delays to 1e-6 sample, same efficiency, the other sign."""
    plain = decisions_of(decide_rig(rig))
    flipped = decisions_of(decide_rig(rig.with_channel(1, -rig.signals[1])))
    assert [a.polarity * b.polarity for a, b in zip(plain, flipped, strict=True)] == [1, -1, 1]
    assert np.allclose([d.delay_samples for d in plain], [d.delay_samples for d in flipped], atol=1e-6)


def test_order_of_the_mics_and_a_common_gain_change_nothing(rig: Rig) -> None:
    """Mics listed backwards (the reference named), all signals 10 dB down: the same decisions to 1e-4 sample."""
    plain = {d.mic: d for d in decisions_of(decide_rig(rig))}
    backwards = replace(rig, mics=rig.mics[::-1], signals=rig.signals[::-1] * 10 ** (-10 / 20))
    for decision in decisions_of(decide_rig(backwards, reference=rig.names[0])):
        assert decision.polarity == plain[decision.mic].polarity
        assert decision.delay_samples == pytest.approx(plain[decision.mic].delay_samples, abs=1e-4)


def test_a_good_mic_20_db_down_or_dark_is_not_refused(rig: Rig) -> None:
    """Level and colour alone are no reason to refuse."""
    quiet = decisions_of(decide_rig(rig.with_channel(1, rig.signals[1] * 0.1)))[1]
    dull = np.convolve(rig.signals[1], np.ones(60) / 60, "same")
    dark = decisions_of(decide_rig(rig.with_channel(1, dull)))[1]
    assert quiet.refusal is None
    assert dark.refusal is None


def test_values_by_hand_are_kept_and_the_rest_is_found_around_them(rig: Rig) -> None:
    """Delay in cm and samples, polarity alone; ISO 9613-1 speed of sound at 20 C is 343.2 m/s."""
    by_hand = {rig.names[1]: {"delay": {"cm": 34.32}, "polarity": "inverted"}}
    decision = decisions_of(decide_rig(rig, by_hand))[1]
    assert decision.delay_samples == pytest.approx(48.0, abs=1e-9)
    assert (decision.polarity, decision.origin) == (-1, "recipe")
    free = decisions_of(decide_rig(rig))[1]
    opposite = "inverted" if free.polarity > 0 else "normal"
    forced = decisions_of(decide_rig(rig, {rig.names[1]: {"polarity": opposite}}))[1]
    assert forced.polarity == -free.polarity
    assert forced.delay_samples != pytest.approx(free.delay_samples, abs=0.5)


def test_performances_of_one_set_up_share_their_answer(takes: list[Rig]) -> None:
    """Pooled: bit-equal delays; alone, they agree within the tolerance of pooling."""
    _, pooled = decide_takes(takes)
    _, alone = decide_takes(takes, pool=False)
    for m in (1, 2):
        assert len({pooled[f"take_{i}", m].delay_samples for i in range(3)}) == 1
        spread = np.ptp([alone[f"take_{i}", m].delay_samples for i in range(3)])
        assert spread <= (6.0 if takes[0].mics[m].role == "sub" else 1.2)


def test_a_mic_that_was_moved_in_one_performance_is_named_and_keeps_its_own_delay(takes: list[Rig]) -> None:
    """14 samples (10 cm) in take 1 only: found there, and not in the pool of the others."""
    moved = takes[1].signals.copy()
    moved[1] = shifted(moved[1], 14.0)
    song, decisions = decide_takes(takes, {1: moved})
    assert decisions["take_1", 1].moved_samples == pytest.approx(14.0, abs=1.2)
    assert decisions["take_0", 1].moved_samples is None
    assert [f.subject for f in told(song, "alignment-moved")] == [f"take_1/{takes[0].names[1]}"]


@pytest.mark.parametrize("odd", [0, 1])
def test_a_mic_that_was_inverted_in_one_performance_shares_the_delay_and_is_named(takes: list[Rig], odd: int) -> None:
    """A polarity switch moves no mic: the same delay to the last bit, one polarity turned, one finding."""
    names = takes[0].names
    _, plain = decide_takes(takes)
    flipped = takes[odd].signals.copy()
    flipped[1:3] *= -1.0
    song, decisions = decide_takes(takes, {odd: flipped})
    for (performance, mic), decision in decisions.items():
        turned = performance == f"take_{odd}" and mic in (1, 2)
        assert decision.polarity == plain[performance, mic].polarity * (-1 if turned else 1)
        assert decision.delay_samples == plain[performance, mic].delay_samples
        assert decision.moved_samples is None
    assert [f.subject for f in told(song, "alignment-inverted")] == [f"take_{odd}/{names[1]}", f"take_{odd}/{names[2]}"]


@pytest.mark.parametrize("search_ms", [2.0, 4.0])
def test_a_low_passed_sub_mic_is_found_beyond_the_search(takes: list[Rig], search_ms: float) -> None:
    """The filter's own delay (2.6 ms, a Butterworth prototype of 4th order at 160 Hz) is not distance."""
    rig = next(t for t in takes if t.mics[2].role == "sub")
    chain = (ChainStep(kind="low_pass", params={"cutoff_hz": 160.0, "slope_db_oct": 24}),)
    plain = decisions_of(decide_rig(rig, search_ms=4.0))[2]
    decision = decisions_of(decide_rig(rig, {rig.names[2]: {"chain": chain}}, search_ms=search_ms))[2]
    assert decision.refusal is None
    assert 0.0015 < (decision.delay_samples - plain.delay_samples) / rig.rate < 0.0040


def test_a_set_up_that_changed_in_every_performance_still_aligns(takes: list[Rig]) -> None:
    """Each take gets its own delay, and each is right."""
    shifts = (0.0, 20.0, -17.0)
    changed = {
        i: np.vstack([t.signals[0], shifted(t.signals[1], s), t.signals[2:]])
        for i, (t, s) in enumerate(zip(takes, shifts, strict=True))
    }
    _, decisions = decide_takes(takes, changed)
    found = [decisions[f"take_{i}", 1].delay_samples - shifts[i] for i in range(3)]
    assert np.ptp(found) <= 1.2


def test_a_dead_reference_is_told_with_the_next_best_offered() -> None:
    """Its own finding names another mic as reference; the others still align among themselves."""
    rig = random_cabinet(23, **(QUICK | {"n_close": 3}))
    song = decide_rig(rig.with_channel(0, np.zeros(rig.signals.shape[1])))
    (finding,) = told(song, "alignment-reference")
    assert "reference: " in finding.message
    decisions = decisions_of(song)
    assert [d.refusal for d in decisions[1:]] == [None, None, None]
    relative = decisions[2].polarity * decisions[1].polarity
    assert relative == rig.mics[2].polarity * rig.mics[1].polarity


def test_refused_says_what_happens_to_the_mic(rig: Rig) -> None:
    """mute takes it out of the sum, keep leaves it in as recorded, stop leaves the choice to the render."""
    dead = rig.with_channel(1, np.random.default_rng(5).normal(0.0, 1e-3, (rig.signals.shape[1],)))
    for refused, summed in (("mute", False), ("keep", True), ("stop", False)):
        decision = decisions_of(decide_rig(dead, refused=refused))[1]
        assert (decision.refusal, decision.summed) == ("alignment-incoherent", summed)
        assert (decision.delay_samples, decision.polarity) == (0.0, 1)


def test_a_performance_with_one_mic_has_nothing_to_align(rig: Rig) -> None:
    """Fine: no refusal, no efficiency lost."""
    song = decide_rig(replace(rig, mics=rig.mics[:1], signals=rig.signals[:1]))
    assert decisions_of(song)[0].refusal is None
    assert song.performances[0].efficiency.after_db == 0.0


def test_a_room_mic_keeps_its_distance_and_gets_its_polarity() -> None:
    """delay none by default: nothing is moved, the arrival is known; auto applies it."""
    rig = random_cabinet(24, room=True, **QUICK)
    room = len(rig.mics) - 1
    decision = decisions_of(decide_rig(rig))[room]
    expected = rig.arrivals[room] - rig.arrivals[0]
    assert decision.delay_samples == 0.0
    assert decision.arrival_samples == pytest.approx(expected, abs=8.0)  # colours of both mics turn the phase too
    auto = decisions_of(decide_rig(rig, {rig.names[room]: {"delay": "auto"}}))[room]
    assert auto.delay_samples == pytest.approx(decision.arrival_samples, abs=0.01)


def test_per_performance_exceptions_stand_alone(takes: list[Rig]) -> None:
    """A delay by hand in one take leaves the others pooled."""
    name = takes[0].names[1]
    by_hand = {"bus": "left", "mics": {name: {"delay": {"samples": 3.5}, "polarity": "normal"}}}
    performances = {"take_0": {"bus": "left"}, "take_1": by_hand, "take_2": {"bus": "left"}}
    rigs = {f"take_{i}": rig for i, rig in enumerate(takes)}
    decisions = decisions_of(align(rig_song(rigs, sections={"performances": performances})))
    first, changed, last = [d.delay_samples for d in decisions if d.mic == name]
    assert (changed, first) == (3.5, last)


def test_rotation_gains_or_stays_away() -> None:
    """One all-pass a mic at most, only for 0.1 dB or more; efficiency with it is as the solver promised."""
    rig = random_cabinet(3, **(QUICK | {"n_close": 3, "colour": "strong"}))
    plain, turned = decide_rig(rig), decide_rig(rig, rotate="auto")
    rotated = [d for d in decisions_of(turned) if d.rotation is not None]
    gain = turned.performances[0].efficiency.after_db - plain.performances[0].efficiency.after_db
    assert rotated
    assert gain >= 0.1 * len(rotated)
    assert decisions_of(turned)[0].rotation is None


def test_identical_copies_sum_to_the_limit() -> None:
    """Three copies with delays and signs of their own reach 0 dB: every band of every mic in phase."""
    source = random_cabinet(25, **QUICK).signals[0]
    signals = [source, -shifted(source, 7.25), shifted(source, -3.5)]
    decisions = solve_signals(signals, 48000)
    assert [d.polarity for d in decisions] == [1, -1, 1]
    assert [d.delay_samples for d in decisions] == pytest.approx([0.0, 7.25, -3.5], abs=0.01)


def test_a_refused_mic_that_the_recipe_mutes_does_not_stop_the_render(rig: Rig) -> None:
    """Its refusal is told as a warning: it is out of the sum already."""
    dead = rig.with_channel(1, np.zeros(rig.signals.shape[1]))
    muted = decide_rig(dead, {rig.names[1]: {"mute": True}}, refused="stop")
    heard = decide_rig(dead, refused="stop")
    assert [f.severity for f in told(muted, "alignment-silent")] == ["warning"]
    assert [f.severity for f in told(heard, "alignment-silent")] == ["error"]


def room_with_an_echo(height: float) -> Song:
    """Two close mics hear noise; a room mic hears it inverted, and 10 ms later upright, `height` times as loud."""
    source = band_noise(np.random.default_rng(9), 6 * 48000, 48000, 20.0, 20000.0)
    room = height * np.roll(source, 200 + 480) - np.roll(source, 200)
    song = song_from(recipe_of({"a": {}, "b": {}, "room": {"role": "room"}}))
    return align(with_signals(song, {"left": np.stack([source, source, room])}, 48000))


@pytest.mark.parametrize(
    ("height", "clear"), [(0.3, True), (0.7, True), (0.828, True), (0.833, False), (0.9, False), (0.95, False)]
)
def test_a_rooms_polarity_is_clear_where_the_other_is_a_fifth_lower(height: float, clear: bool) -> None:
    """Clear from 20 log10(1 / 0.8) = 1.94 dB of margin on; that one fact sets the polarity and the finding.

    The margin is that of the echo, 20 log10(1 / height), within 0.5 dB: every third octave counts alike, so the
    lowest ones of one arrival reach under the other.
    """
    song = room_with_an_echo(height)
    room = decisions_of(song)[2]
    assert room.arrival_samples == pytest.approx(200.0, abs=0.01)
    assert room.margin_db is not None
    assert room.margin_db == pytest.approx(-20.0 * math.log10(height), abs=0.5)
    assert room.polarity_clear is (room.margin_db >= 20.0 * math.log10(1.0 / 0.8)) is clear
    assert room.polarity == (-1 if clear else 1)
    assert [f.subject for f in told(song, "alignment-room-polarity")] == ([] if clear else ["left/room"])


def test_the_polarity_of_a_mic_in_the_sum_is_not_judged_as_a_rooms_is(rig: Rig) -> None:
    """A mic whose polarity is unclear would be refused instead."""
    assert [d.polarity_clear for d in decisions_of(decide_rig(rig))] == [None, None, None]
