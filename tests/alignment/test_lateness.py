"""Mics that are later, or earlier, than a microphone can be: found anywhere, told with the whole number, or refused."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from premix.alignment.decide import align
from premix.arrays import FloatArray
from premix.model.song import Song
from tests.rigs.accuracy import band_noise, cabinet_settings, shifted, solve_signals
from tests.rigs.cabinets import Rig, random_cabinet
from tests.rigs.songs import decide_rig, decisions_of, recipe_of, rig_song, song_from, told, with_signals

QUICK: dict[str, Any] = {"rate": 48000, "seconds": 6.0, "n_close": 2, "colour": "mild", "noise_db": -50.0}
MS = 48.0
"""Samples in a millisecond of these rigs."""


@pytest.fixture(scope="module")
def rig() -> Rig:
    return random_cabinet(21, **QUICK)


def late_by(rig: Rig, milliseconds: dict[int, float], rate: int = 48000) -> Rig:
    """The rig with some mics' files late (by an FFT shift, no code of premix)."""
    signals = rig.signals.copy()
    for mic, late in milliseconds.items():
        signals[mic] = shifted(signals[mic], late * rate / 1000.0)
    return replace(rig, signals=signals)


@pytest.mark.parametrize("late_ms", [-24.0, -6.5, 7.0, 15.3, 28.0])
def test_a_mic_up_to_30_ms_late_is_taken_and_told(rig: Rig, late_ms: float) -> None:
    """The delay is what it was and what came on top, the polarity stays, and the warning says the whole of it."""
    plain = decisions_of(decide_rig(rig))[1]
    song = decide_rig(late_by(rig, {1: late_ms}))
    decision = decisions_of(song)[1]
    assert decision.refusal is None
    assert decision.polarity == plain.polarity
    assert decision.delay_samples - plain.delay_samples == pytest.approx(late_ms * MS, abs=0.5)
    (finding,) = told(song, "alignment-late")
    assert (finding.subject, finding.severity) == (f"left_a/{rig.names[1]}", "warning")
    assert f"{abs(decision.delay_samples) / MS:.2f} ms {'late' if late_ms > 0 else 'early'}" in finding.message


@pytest.mark.parametrize("seed", range(100, 112))
def test_the_best_place_outside_the_search_never_gets_the_best_inside(seed: int) -> None:
    """Simulated cabinets of all kinds, one or two mics 6 to 29 ms off: right within 6 samples (the width of a sub
    mic's top) and in polarity, or refused; as recorded in no case."""
    rig = random_cabinet(seed, **(cabinet_settings(seed) | {"rate": 48000}))
    rng = np.random.default_rng(seed)
    mics = rng.choice(np.arange(1, len(rig.mics)), 1 + seed % 2, replace=False).tolist()
    late = {m: float(rng.uniform(6.0, 29.0) * rng.choice([-1, 1])) for m in mics}
    plain, found = (decisions_of(decide_rig(r)) for r in (rig, late_by(rig, late)))
    for m, (was, now) in enumerate(zip(plain, found, strict=True)):
        assert now.refusal in (None, "alignment-late")
        if now.refusal is None:
            assert now.polarity == was.polarity
            assert now.delay_samples - was.delay_samples == pytest.approx(late.get(m, 0.0) * MS, abs=6.0)


def test_beyond_30_ms_it_is_refused_with_the_number_and_the_line(rig: Rig) -> None:
    """The line that the refusal offers, written into the recipe, is all it takes."""
    late = late_by(rig, {1: 60.0})
    song = decide_rig(late)
    decision = decisions_of(song)[1]
    assert (decision.refusal, decision.delay_samples) == ("alignment-late", 0.0)
    whole = decision.arrival_samples
    assert whole is not None
    plain = decisions_of(decide_rig(rig))[1]
    assert whole - plain.delay_samples == pytest.approx(60.0 * MS, abs=1.0)
    (finding,) = told(song, "alignment-late")
    assert f"{whole / MS:.2f} ms late" in finding.message
    assert f"{rig.names[1]}: {{delay: {{samples: {whole:.2f}}}}}" in finding.message
    by_hand = decisions_of(decide_rig(late, {rig.names[1]: {"delay": {"samples": round(whole, 2)}}}))[1]
    assert (by_hand.refusal, by_hand.polarity) == (None, plain.polarity)


def test_a_wider_search_takes_it_without_a_word(rig: Rig) -> None:
    """Who searches 100 ms wide expects it."""
    song = decide_rig(late_by(rig, {1: 60.0}), search_ms=100.0)
    assert decisions_of(song)[1].refusal is None
    assert told(song, "alignment-late") == []


def test_an_answer_just_outside_the_search_is_told_as_late(rig: Rig) -> None:
    """Within 0.1 ms there is no room for a mic that is more than 1 ms away: taken where it is, with a warning."""
    song = decide_rig(late_by(rig, {1: 1.25}), {rig.names[2]: {"delay": {"samples": 89.35}}}, search_ms=0.1)
    assert decisions_of(song)[1].delay_samples == pytest.approx(86.5, abs=0.5)
    assert [f.subject for f in told(song, "alignment-late")] == [f"left_a/{rig.names[1]}"]


def test_a_reference_that_is_late_is_named_itself(rig: Rig) -> None:
    """All others seem 9 ms early; one warning, and it is the reference's."""
    song = decide_rig(late_by(rig, {0: 9.0}))
    (finding,) = told(song, "alignment-late")
    assert finding.subject == f"left_a/{rig.names[0]}"
    assert "ms early" in finding.message


def test_a_mic_late_in_one_performance_leaves_the_others_pooled() -> None:
    """The others share one delay; the late one's whole lateness is told, as late and not as moved."""
    takes = [random_cabinet(22, take=take, **QUICK) for take in range(3)]
    rigs = {f"take_{i}": late_by(take, {1: 11.0} if i == 1 else {}) for i, take in enumerate(takes)}
    song = align(rig_song(rigs))
    own = {d.performance: d for d in decisions_of(song) if d.mic == takes[0].names[1]}
    assert own["take_0"].delay_samples == own["take_2"].delay_samples
    assert own["take_1"].delay_samples - own["take_0"].delay_samples == pytest.approx(11.0 * MS, abs=1.0)
    assert [f.subject for f in told(song, "alignment-late")] == [f"take_1/{takes[0].names[1]}"]
    assert own["take_1"].moved_samples == pytest.approx(11.0 * MS, abs=1.0)
    assert told(song, "alignment-moved") == []


def test_a_mic_late_in_every_performance_is_pooled_all_the_same() -> None:
    """A latency of the mic's own converter: one delay for all, to the last bit."""
    takes = [random_cabinet(22, take=take, **QUICK) for take in range(3)]
    song = align(rig_song({f"take_{i}": late_by(take, {1: 11.0}) for i, take in enumerate(takes)}))
    delays = {d.delay_samples for d in decisions_of(song) if d.mic == takes[0].names[1]}
    assert len(delays) == 1
    assert len(told(song, "alignment-late")) == 3


def test_a_polarity_by_hand_never_sends_a_mic_away(rig: Rig) -> None:
    """Against the other polarity it fits nowhere well; the user's word stands, and the mic stays near."""
    plain = decisions_of(decide_rig(rig))[1]
    opposite = "inverted" if plain.polarity > 0 else "normal"
    song = decide_rig(rig, {rig.names[1]: {"polarity": opposite}})
    assert abs(decisions_of(song)[1].delay_samples) <= 4.0 * MS
    assert told(song, "alignment-late") == []


def test_a_muted_mic_is_never_held_inside_the_search_either(rig: Rig) -> None:
    """Its decision is what a variant of the mix that unmutes it is rendered with."""
    plain = decisions_of(decide_rig(rig, {rig.names[1]: {"mute": True}}))[1]
    song = decide_rig(late_by(rig, {1: 9.0}), {rig.names[1]: {"mute": True}})
    decision = decisions_of(song)[1]
    assert decision.delay_samples - plain.delay_samples == pytest.approx(9.0 * MS, abs=1.0)
    assert decision.polarity == plain.polarity
    assert [f.subject for f in told(song, "alignment-late")] == [f"left_a/{rig.names[1]}"]


def one_note(seconds: float, period: int) -> FloatArray:
    """A note that repeats itself almost to the sample: noise of one period over and over, 1 % of it new each time."""
    rng = np.random.default_rng(31)
    one = band_noise(rng, period, 48000, 80.0, 6000.0)
    times = round(seconds * 48000 / period)
    return np.asarray(np.tile(one, times) + 0.01 * one.std() * rng.standard_normal(times * period))


def test_late_by_a_period_of_a_single_note_is_refused(rig: Rig) -> None:
    """A song on one steady note fits itself again a period (10 ms) later: late by half a period, two places are as good
    as each other, and neither is taken."""
    note = one_note(6.0, 480)
    song = song_from(recipe_of({"a": {}, "b": {}}, alignment={"refused": "mute"}))
    song = align(with_signals(song, {"left": np.stack([note, np.roll(note, 240)])}, 48000))
    assert decisions_of(song)[1].refusal == "alignment-late"


def test_noise_of_any_kind_is_still_taken_without_a_word() -> None:
    """Delays within the search, both signs, both polarities: nothing is told."""
    source = band_noise(np.random.default_rng(8), 6 * 48000, 48000, 60.0, 6000.0)
    decisions = solve_signals([source, -shifted(source, 180.0), shifted(source, -180.0)], 48000)
    assert [d.delay_samples for d in decisions] == pytest.approx([0.0, 180.0, -180.0], abs=0.01)


def slugs(song: Song) -> set[str]:
    return {finding.slug for finding in song.findings}


def test_clean_cabinets_are_never_told_to_be_late() -> None:
    """Twelve set-ups of all kinds, 26 close and sub mics."""
    for seed in range(200, 212):
        assert slugs(decide_rig(random_cabinet(seed, **cabinet_settings(seed)))) & {"alignment-late"} == set()
