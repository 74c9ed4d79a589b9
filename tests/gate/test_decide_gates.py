"""The gate stage as a whole: which mics are the key, which room follows which riff, and what happens without
a key."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from premix.gate.rooms import decide_gates
from premix.messages import REMEDIES
from premix.model.gate import Riff, RoomGate
from premix.model.song import Song
from premix.model.tracks import DiMatch
from tests.gate.key_material import Levels, envelopes, hold, mutes, stop
from tests.rigs.songs import SET_UP, Settings, keys_of, recipe_of, song_from, with_decisions, with_keys, with_tracks

RATE = 48_000
LEFT = [stop(1.0), mutes(2.0, -10.0, 50.0, 0.2), stop(2.0), mutes(2.0, -10.0, 50.0, 0.2), stop(1.0)]
RIGHT = [stop(3.2), mutes(1.5, -10.0, 50.0, 0.2), stop(3.3)]
NEVER_STOPS = [mutes(8.0, -10.0, 50.0, 0.2)]
SILENCE = [stop(8.0)]
FRAMES = 8000


def gated(
    folder: Path,
    *,
    mics: Settings = SET_UP,
    parts: dict[str, list[Levels]] | None = None,
    decisions: Settings | None = None,
    performances: Settings | None = None,
    hiss_db: float = -50.0,
    loud: dict[str, Levels] | None = None,
    **sections: Any,
) -> Song:
    """The gating of a song of 8 s whose rooms are 480 samples late. parts: levels of each performance's key.
    decisions: changes by mic name. loud: what a close mic hears instead of the riff, by its name."""
    parts = parts or {"left": LEFT, "right": RIGHT}
    song = song_from(recipe_of(mics, performances or tuple(parts), **sections))
    late = {mic.name: {"arrival_samples": 480.0} for mic in song.mics if mic.is_room}
    changes = {name: {**late.get(name, {}), **(decisions or {}).get(name, {})} for name in mics}
    song = with_decisions(with_tracks(song, RATE, FRAMES * 48, folder), changes)
    keys = {}
    for performance in song.performances:
        close = [mic.name for mic in performance.close]
        heard = [[loud[mic]] if loud and mic in loud else parts[performance.name] for mic in close]
        name = performance.name
        rows = [envelopes(folder, part, hiss_db=hiss_db, performance=name).read(0, FRAMES)[0] for part in heard]
        powers = np.array(rows, np.float64).reshape(len(close), FRAMES)
        keys[name] = keys_of(name, powers, close, folder)
    return decide_gates(with_keys(song, keys))


def riff_of(song: Song, performance: str) -> Riff:
    return song.performance(performance).riff


def room_of(song: Song, performance: str, mic: str = "room") -> RoomGate:
    return next(m.room for m in song.performance(performance).rooms if m.name == mic)


def gain_db(song: Song, performance: str, seconds: float, mic: str = "room") -> float:
    curve = room_of(song, performance, mic).curve
    return float(np.interp(seconds * RATE, curve.positions, curve.gains_db))


def opened(song: Song) -> tuple[float, float]:
    """Where the left room is first fully open, and where the left riff starts, in samples."""
    curve, (on_s, _) = room_of(song, "left").curve, riff_of(song, "left").spans[0]
    return float(curve.positions[np.flatnonzero(curve.gains_db == 0.0)[0]]), on_s * RATE


def slugs(song: Song) -> list[str]:
    assert all(f.slug in REMEDIES and f.hint == REMEDIES[f.slug] for f in song.findings)
    return [f.slug for f in song.findings]


def test_each_room_follows_its_own_performance(tmp_path: Path) -> None:
    """Left plays 1-3 s and 5-7 s, right 3.2-4.7 s."""
    song = gated(tmp_path)
    assert np.array(riff_of(song, "left").spans) == pytest.approx(np.array([(1.0, 3.0), (5.0, 7.0)]), abs=0.006)
    assert np.array(riff_of(song, "right").spans) == pytest.approx(np.array([(3.2, 4.7)]), abs=0.006)
    assert [gain_db(song, "left", t) for t in (0.5, 2.0, 4.0, 6.0)] == [-60.0, 0.0, -60.0, 0.0]
    assert [gain_db(song, "right", t) for t in (2.0, 4.0, 6.0)] == [-60.0, 0.0, -60.0]


def test_with_key_all_any_performance_opens_every_room(tmp_path: Path) -> None:
    """Both rooms are open from 1 s to 7 s, but for the gaps; a muted performance opens none."""
    song = gated(tmp_path, gate={"key": "all"})
    for name in ("left", "right"):
        assert [gain_db(song, name, t) for t in (0.5, 2.0, 4.0, 4.9, 6.0)] == [-60.0, 0.0, 0.0, -60.0, 0.0]
    both = {"left": {"bus": "left"}, "right": {"bus": "left", "mute": True}}
    assert gain_db(gated(tmp_path, gate={"key": "all"}, performances=both), "left", 4.0) == -60.0


@pytest.mark.parametrize(("delay", "late"), [(0.0, 480.0), (480.0, 0.0), (-96.0, 576.0)])
def test_the_rooms_arrival_moves_its_gate_and_a_delay_takes_it_back(tmp_path: Path, delay: float, late: float) -> None:
    """Room 480 samples late: open from on + 480 - 240 (lookahead); advanced by its delay, that much
    earlier."""
    at, on = opened(gated(tmp_path, decisions={"room": {"delay_samples": delay}}))
    assert at == pytest.approx(on + late - 240, abs=1)


def test_an_unknown_arrival_counts_as_none_and_is_said(tmp_path: Path) -> None:
    """The gate goes with the key."""
    song = gated(tmp_path, decisions={"room": {"arrival_samples": None}})
    at, on = opened(song)
    assert at == pytest.approx(on - 240, abs=1)
    assert slugs(song) == ["gate-arrival-unknown"] * 2


def test_each_room_has_its_own_settings(tmp_path: Path) -> None:
    """Near: the recipe's gate. Far: 20 dB of range, and a threshold by hand. Hall: off."""
    mics = {
        "dynamic": {},
        "near": {"role": "room"},
        "far": {"role": "room", "gate": {"range_db": 20.0, "threshold_db": -12.0}},
        "hall": {"role": "room", "gate": {"mode": "off"}},
    }
    song = gated(tmp_path, mics=mics)
    assert [gain_db(song, "left", 4.0, mic) for mic in ("near", "far", "hall")] == [-60.0, -20.0, 0.0]
    assert room_of(song, "left", "far").threshold_db == -12.0
    assert room_of(song, "left", "near").threshold_db == riff_of(song, "left").threshold_db
    assert room_of(song, "left", "hall").open == ((0.0, 8.0),)


def test_follow_mode_makes_a_curve_between_open_and_range(tmp_path: Path) -> None:
    """Ratio 2, threshold at -20 dB by hand: 10 dB of it in a passage 10 dB below, the range in the stop."""
    parts = [stop(1.0), hold(2.0, -10.0), hold(2.0, -40.0), stop(2.0), hold(1.0, -10.0)]
    gate = {"mode": "follow", "ratio": 2.0, "threshold_db": -20.0, "range_db": 25.0}
    song = gated(tmp_path, gate=gate, parts={"left": parts}, hiss_db=-90.0)
    assert gain_db(song, "left", 2.0) == 0.0
    # The loud level is known to its step of 0.5 dB, and 0.1 dB is the error of a curve.
    assert gain_db(song, "left", 4.0) == pytest.approx(-10.0, abs=0.6)
    assert gain_db(song, "left", 6.5) == -25.0
    assert room_of(song, "left").mode == "follow"


@pytest.mark.parametrize("mode", ["gate", "follow"])
@pytest.mark.parametrize("parts", [LEFT, NEVER_STOPS, SILENCE], ids=["stops", "never stops", "silent"])
@pytest.mark.parametrize("summed", [True, False])
def test_without_any_room_mic_no_finding_says_that_a_room_stays_open(
    tmp_path: Path, mode: str, parts: list[Levels], summed: bool
) -> None:
    """Whatever the key holds; the riff is found all the same. The same song with a room mic has a word to say."""
    close: dict[str, Any] = {"dynamic": {}, "sub": {"role": "sub"}}
    settings: dict[str, Any] = {"gate": {"mode": mode}, "parts": {"left": parts}, "hiss_db": -300.0}
    decisions = {name: {"summed": summed} for name in close}
    song = gated(tmp_path, mics=close, decisions=decisions, **settings)
    assert song.findings == ()
    assert (len(song.performance("left").rooms), riff_of(song, "left").performance) == (0, "left")
    told = slugs(gated(tmp_path, mics={**close, "room": {"role": "room"}}, decisions=decisions, **settings))
    found = {id(LEFT): [], id(NEVER_STOPS): ["gate-no-stops"], id(SILENCE): ["gate-key-silent"]}
    assert told == (found[id(parts)] if summed else ["gate-no-key"])


def test_findings_are_left_out_where_the_gate_is_off(tmp_path: Path) -> None:
    """A riff without stops matters only to a gate; where one of two rooms has one it is told."""
    never = {"left": NEVER_STOPS}
    assert slugs(gated(tmp_path, parts=never, gate={"mode": "off"})) == []
    assert (
        slugs(gated(tmp_path, parts=never, gate={"mode": "off"}, decisions={"room": {"arrival_samples": None}})) == []
    )
    mics = {**SET_UP, "far": {"role": "room", "gate": {"mode": "gate"}}}
    assert slugs(gated(tmp_path, mics=mics, parts=never, gate={"mode": "off"})) == ["gate-no-stops"]


@pytest.mark.parametrize("mode", ["gate", "follow"])
def test_without_a_key_the_room_stays_open(tmp_path: Path, mode: str) -> None:
    """The only close mic is muted or refused; or it is silent."""
    refused = gated(tmp_path, gate={"mode": mode}, decisions={"dynamic": {"summed": False}})
    assert (room_of(refused, "left").curve.gains_db == 0.0).all()
    assert slugs(refused) == ["gate-no-key", "gate-no-key"]
    silent = gated(tmp_path, gate={"mode": mode}, parts={"left": SILENCE, "right": RIGHT}, hiss_db=-300.0)
    assert (room_of(silent, "left").curve.gains_db == 0.0).all()
    assert slugs(silent) == ["gate-key-silent"]


def test_with_key_all_a_performance_without_key_follows_the_others(tmp_path: Path) -> None:
    """Left is silent; its room is opened by right."""
    song = gated(tmp_path, gate={"key": "all"}, parts={"left": SILENCE, "right": RIGHT}, hiss_db=-300.0)
    assert [gain_db(song, "left", t) for t in (2.0, 4.0)] == [-60.0, 0.0]


def test_sub_mics_are_no_key_while_there_is_a_close_mic(tmp_path: Path) -> None:
    """The sub mic hears something through the stops, far louder than the riff: it is not asked, unless
    alone."""
    mics = {"dynamic": {}, "sub": {"role": "sub"}, "room": {"role": "room"}}
    loud = {"sub": hold(8.0, 0.0)}
    assert riff_of(gated(tmp_path, mics=mics, loud=loud), "left").stops == 1
    alone = gated(tmp_path, mics=mics, loud=loud, decisions={"dynamic": {"summed": False}})
    assert riff_of(alone, "left").stops == 0


def test_the_recipes_gains_weigh_the_mics(tmp_path: Path) -> None:
    """A second close mic with noise 20 dB over the riff hides the stops, but not when its gain, or its
    group's, takes it 60 dB down."""

    def stops(gain_db: float, group_db: float) -> int:
        mics = {"dynamic": {}, "noisy": {"gain_db": gain_db}, "room": {"role": "room"}}
        groups = {"all": {"mics": ("noisy",), "gain_db": group_db}}
        return riff_of(gated(tmp_path, mics=mics, loud={"noisy": hold(8.0, 10.0)}, groups=groups), "left").stops

    assert [stops(0.0, 0.0), stops(-80.0, 0.0), stops(-40.0, -40.0)] == [0, 1, 1]


def test_a_song_that_is_silent_in_the_room_is_no_trouble(tmp_path: Path) -> None:
    """The room's own audio is never looked at; only where its sound arrives."""
    assert slugs(gated(tmp_path)) == []


BY_HAND: Settings = {"left": {"bus": "left", "gate": {"spans": ((1.5, 2.5), (6.0, 20.0))}}, "right": {"bus": "left"}}


def test_spans_by_hand_are_taken_as_they_are(tmp_path: Path) -> None:
    """With the room's arrival and the lookahead; what lies beyond the song is cut, and said."""
    song = gated(tmp_path, performances=BY_HAND)
    assert riff_of(song, "left").spans == ((1.5, 2.5), (6.0, 8.0))
    at, on = opened(song)
    assert on == 1.5 * RATE
    assert at == pytest.approx(1.5 * RATE + 480 - 240, abs=1)
    assert [gain_db(song, "left", t) for t in (1.2, 2.0, 5.0, 7.0)] == [-60.0, 0.0, -60.0, 0.0]
    assert len(riff_of(song, "right").spans) == 1
    assert "gate-spans-outside" in slugs(song)


def test_a_room_that_is_shut_while_its_guitar_sounds_is_told_with_its_times(tmp_path: Path) -> None:
    """By hand it opens half a second late, shuts 1.2 s early, and opens one second late."""
    spans = {"left": {"bus": "left", "gate": {"spans": ((1.5, 1.7), (6.0, 7.0))}}}
    song = gated(tmp_path, performances=spans, parts={"left": LEFT})
    told = {f.slug: f for f in song.findings}
    assert {f.severity for f in told.values()} == {"warning"}
    assert told["gate-opens-late"].message == "it opens after the guitar has begun: 1.00 to 1.49 s, 5.00 to 5.99 s"
    assert told["gate-room-lost"].message == "it is shut while the guitar sounds: 1.80 to 3.00 s"
    assert room_of(song, "left").lost_s == pytest.approx(0.49 + 0.99 + 1.2, abs=0.02)


def test_a_threshold_by_hand_that_loses_a_quiet_verse_is_told(tmp_path: Path) -> None:
    """A second 20 dB down, under a threshold of -10 dB; found by itself it is open."""
    parts = [stop(1.0), mutes(2.0, -10.0, 50.0, 0.2), stop(1.0), mutes(1.0, -30.0, 50.0, 0.2), stop(3.0)]
    lost = gated(tmp_path, parts={"left": parts}, gate={"threshold_db": -10.0}, hiss_db=-60.0)
    assert "gate-room-lost" in slugs(lost)
    assert room_of(lost, "left").lost == pytest.approx(np.array([(4.0, 5.0)]), abs=0.1)
    found = gated(tmp_path, parts={"left": parts}, hiss_db=-60.0)
    assert "gate-room-lost" not in slugs(found)
    assert room_of(found, "left").lost == ()


def test_close_mics_are_gated_where_the_recipe_says_so(tmp_path: Path) -> None:
    """Of one performance all, in the other one mic; shut when the riff stops, at once: no arrival, no room."""
    mics: Settings = {"dynamic": {}, "ribbon": {"stem_gate": {"range_db": 20.0}}, "room": {"role": "room"}}
    performances: Settings = {"left": {"bus": "left", "stem_gate": {"range_db": 40.0}}, "right": {"bus": "left"}}
    song = gated(tmp_path, mics=mics, performances=performances)
    curves = {mic.label: mic.stem_curve for mic in song.mics}
    assert {label for label, curve in curves.items() if curve is not None} == {
        "left/dynamic",
        "left/ribbon",
        "right/ribbon",
    }

    def shut_db(label: str, seconds: float) -> float:
        curve = curves[label]
        assert curve is not None
        return float(np.interp(seconds * RATE, curve.positions, curve.gains_db))

    assert [shut_db("left/dynamic", t) for t in (2.0, 4.0)] == [0.0, -40.0]
    assert [shut_db("left/ribbon", t) for t in (2.0, 4.0)] == [0.0, -20.0]
    assert [shut_db("right/ribbon", t) for t in (2.0, 4.0)] == [-20.0, 0.0]


def test_a_di_is_the_key_where_it_is_asked_for(tmp_path: Path) -> None:
    """The close mics hear noise throughout; the DI, 2 ms late, starts and stops. A performance without one is told."""
    mics: Settings = {"dynamic": {}, "room": {"role": "room"}, "di": {"role": "di"}}
    song = song_from(recipe_of(mics, ("left",), gate={"key": "di"}))
    song = with_decisions(with_tracks(song, RATE, FRAMES * 48, tmp_path), {"room": {"arrival_samples": 480.0}})
    noisy = envelopes(tmp_path, [hold(8.0, -10.0)], performance="left")
    played = envelopes(tmp_path, [stop(0.002), *LEFT], hiss_db=-80.0, performance="left.di")
    song = with_keys(song, {"left": replace(noisy, mics=("dynamic",))})
    own = replace(song.performances[0], di_envelopes=replace(played, mics=("di",)))
    song = replace(song, performances=(own,))
    song = decide_gates(song.with_mics(lambda mic: replace(mic, match=DiMatch(0.9, 2.0)) if mic.is_di else mic))
    assert np.array(riff_of(song, "left").spans) == pytest.approx(np.array([(1.0, 3.0), (5.0, 7.0)]), abs=0.006)
    assert "gate-no-di" not in slugs(song)
    assert "gate-no-di" in slugs(gated(tmp_path, gate={"key": "di"}))
