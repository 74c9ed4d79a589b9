"""The gate stage as a whole: which mics are the key, which room follows which riff, and what happens without
a key."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from premix.gate.rooms import decide_gates
from premix.messages import REMEDIES
from premix.model.alignment import Alignment, MicDecision
from premix.model.analysis import Analysis, KeyEnvelopes
from premix.model.gate import Gating
from premix.model.recipe import Gate, GateOverrides, Group, Mic, Performance, Recipe
from premix.model.tracks import AudioHeader, Track, TrackSet
from tests.gate.key_material import Levels, envelopes, hold, mutes, stop

RATE = 48_000
LEFT = [stop(1.0), mutes(2.0, -10.0, 50.0, 0.2), stop(2.0), mutes(2.0, -10.0, 50.0, 0.2), stop(1.0)]
RIGHT = [stop(3.2), mutes(1.5, -10.0, 50.0, 0.2), stop(3.3)]
FRAMES = 8000


def song(
    folder: Path,
    *,
    mics: dict[str, Mic] | None = None,
    gate: Gate | None = None,
    parts: dict[str, list[Levels]] | None = None,
    decisions: dict[str, dict[str, Any]] | None = None,
    performances: dict[str, Performance] | None = None,
    hiss_db: float = -50.0,
    loud: dict[str, Levels] | None = None,
    **recipe: Any,
) -> Gating:
    """The gating of a song of 8 s. parts: levels of each performance's key. decisions: changes by mic name.
    loud: what a close mic hears instead of the riff, by its name."""
    mics = mics or {"dynamic": Mic(), "room": Mic(role="room")}
    parts = parts or {"left": LEFT, "right": RIGHT}
    performances = performances or {name: Performance(bus="left") for name in parts}
    made = Recipe(format=1, mics=mics, performances=performances, gate=gate or Gate(), **recipe)
    tracks, keys, decided = [], [], []
    for name, levels in parts.items():
        close = made.close_mics()
        keys.append(several(folder, name, levels, hiss_db, {mic: (loud or {}).get(mic) for mic in close}))
        for mic, settings in mics.items():
            header = AudioHeader(folder / f"{name}_{mic}.wav", "WAV", "PCM_24", RATE, 1, FRAMES * 48, 24)
            tracks.append(Track(name, mic, header))
            values: dict[str, Any] = {
                "delay_samples": 0.0,
                "polarity": 1,
                "origin": "auto",
                "summed": not made.mic_in(name, mic).mute,
                "arrival_samples": 480.0 if settings.role == "room" else 0.0,
            }
            values |= (decisions or {}).get(mic, {})
            decided.append(MicDecision(name, mic, settings.role, "dynamic", **values))
    track_set = TrackSet("song", folder, RATE, FRAMES * 48, tuple(tracks))
    analysis = Analysis(RATE, FRAMES * 48, (), tuple(keys), ())
    return decide_gates(made, track_set, analysis, Alignment(RATE, "dynamic", tuple(decided), ()))


def several(
    folder: Path, name: str, levels: list[Levels], hiss_db: float, mics: dict[str, Levels | None]
) -> KeyEnvelopes:
    """The envelopes of several mics that hear the same, or something of their own."""
    rows = []
    for other in mics.values():
        one = envelopes(folder, levels if other is None else [other], hiss_db=hiss_db, performance=name)
        rows.append(one.read(0, one.frames)[0])
    path = folder / f"{name}_all.f32"
    np.ascontiguousarray(np.stack(rows, axis=1)).tofile(path)
    return KeyEnvelopes(name, tuple(mics), RATE, 48, FRAMES, path)


def gain_db(gating: Gating, performance: str, seconds: float, mic: str = "room") -> float:
    curve = gating.room_of(performance, mic).curve
    return float(np.interp(seconds * RATE, curve.positions, curve.gains_db))


def slugs(gating: Gating) -> list[str]:
    assert all(f.slug in REMEDIES and f.hint == REMEDIES[f.slug] for f in gating.findings)
    return [f.slug for f in gating.findings]


def test_each_room_follows_its_own_performance(tmp_path: Path) -> None:
    """Left plays 1-3 s and 5-7 s, right 3.2-4.7 s."""
    gating = song(tmp_path)
    assert np.array(gating.riff_of("left").spans) == pytest.approx(np.array([(1.0, 3.0), (5.0, 7.0)]), abs=0.006)
    assert np.array(gating.riff_of("right").spans) == pytest.approx(np.array([(3.2, 4.7)]), abs=0.006)
    assert [gain_db(gating, "left", t) for t in (0.5, 2.0, 4.0, 6.0)] == [-60.0, 0.0, -60.0, 0.0]
    assert [gain_db(gating, "right", t) for t in (2.0, 4.0, 6.0)] == [-60.0, 0.0, -60.0]


def test_with_key_all_any_performance_opens_every_room(tmp_path: Path) -> None:
    """Both rooms are open from 1 s to 7 s, but for the gaps; a muted performance opens none."""
    gating = song(tmp_path, gate=Gate(key="all"))
    for name in ("left", "right"):
        assert [gain_db(gating, name, t) for t in (0.5, 2.0, 4.0, 4.9, 6.0)] == [-60.0, 0.0, 0.0, -60.0, 0.0]
    both = {"left": Performance(bus="left"), "right": Performance(bus="left", mute=True)}
    assert gain_db(song(tmp_path, gate=Gate(key="all"), performances=both), "left", 4.0) == -60.0


@pytest.mark.parametrize(("delay", "late"), [(0.0, 480.0), (480.0, 0.0), (-96.0, 576.0)])
def test_the_rooms_arrival_moves_its_gate_and_a_delay_takes_it_back(tmp_path: Path, delay: float, late: float) -> None:
    """Room 480 samples late: open from on + 480 - 240 (lookahead); advanced by its delay, that much
    earlier."""
    gating = song(tmp_path, decisions={"room": {"delay_samples": delay}})
    curve, (on, _) = gating.room_of("left", "room").curve, gating.riff_of("left").spans[0]
    opened = curve.positions[np.flatnonzero(curve.gains_db == 0.0)[0]]
    assert opened == pytest.approx(on * RATE + late - 240, abs=1)


def test_an_unknown_arrival_counts_as_none_and_is_said(tmp_path: Path) -> None:
    """The gate goes with the key."""
    gating = song(tmp_path, decisions={"room": {"arrival_samples": None}})
    curve, (on, _) = gating.room_of("left", "room").curve, gating.riff_of("left").spans[0]
    opened = curve.positions[np.flatnonzero(curve.gains_db == 0.0)[0]]
    assert opened == pytest.approx(on * RATE - 240, abs=1)
    assert slugs(gating).count("gate-arrival-unknown") == 2


def test_each_room_has_its_own_settings(tmp_path: Path) -> None:
    """Near: the recipe's gate. Far: 20 dB of range, and a threshold by hand. Hall: off."""
    mics = {
        "dynamic": Mic(),
        "near": Mic(role="room"),
        "far": Mic(role="room", gate=GateOverrides(range_db=20.0, threshold_db=-12.0)),
        "hall": Mic(role="room", gate=GateOverrides(mode="off")),
    }
    gating = song(tmp_path, mics=mics)
    assert [gain_db(gating, "left", 4.0, mic) for mic in ("near", "far", "hall")] == [-60.0, -20.0, 0.0]
    assert gating.room_of("left", "far").threshold_db == -12.0
    assert gating.room_of("left", "near").threshold_db == gating.riff_of("left").threshold_db
    assert gating.room_of("left", "hall").open == ((0.0, 8.0),)


def test_follow_mode_makes_a_curve_between_open_and_range(tmp_path: Path) -> None:
    """Ratio 2, threshold at -20 dB by hand: 10 dB of it in a passage 10 dB below, the range in the stop."""
    parts = [stop(1.0), hold(2.0, -10.0), hold(2.0, -40.0), stop(2.0), hold(1.0, -10.0)]
    gate = Gate(mode="follow", ratio=2.0, threshold_db=-20.0, range_db=25.0)
    gating = song(tmp_path, gate=gate, parts={"left": parts}, hiss_db=-90.0)
    assert gain_db(gating, "left", 2.0) == 0.0
    # The loud level is known to its step of 0.5 dB, and 0.1 dB is the error of a curve.
    assert gain_db(gating, "left", 4.0) == pytest.approx(-10.0, abs=0.6)
    assert gain_db(gating, "left", 6.5) == -25.0
    assert gating.room_of("left", "room").mode == "follow"


def test_a_performance_without_a_room_mic_has_a_riff_and_no_gate(tmp_path: Path) -> None:
    """And no findings about gates."""
    gating = song(tmp_path, mics={"dynamic": Mic()}, parts={"left": [mutes(8.0, -10.0, 50.0, 0.2)]})
    assert gating.rooms == ()
    assert len(gating.riffs) == 1
    assert gating.findings == ()


def test_findings_are_left_out_where_the_gate_is_off(tmp_path: Path) -> None:
    """A riff without stops matters only to a gate."""
    never = {"left": [mutes(8.0, -10.0, 50.0, 0.2)]}
    assert slugs(song(tmp_path, parts=never)) == ["gate-no-stops"]
    assert slugs(song(tmp_path, parts=never, gate=Gate(mode="off"))) == []


@pytest.mark.parametrize("mode", ["gate", "follow"])
def test_without_a_key_the_room_stays_open(tmp_path: Path, mode: Any) -> None:
    """The only close mic is muted or refused; or it is silent."""
    refused = song(tmp_path, gate=Gate(mode=mode), decisions={"dynamic": {"summed": False}})
    assert (refused.room_of("left", "room").curve.gains_db == 0.0).all()
    assert slugs(refused) == ["gate-no-key", "gate-no-key"]
    silent = [np.full(FRAMES, -300.0)]
    gating = song(tmp_path, gate=Gate(mode=mode), parts={"left": silent, "right": RIGHT}, hiss_db=-300.0)
    assert (gating.room_of("left", "room").curve.gains_db == 0.0).all()
    assert slugs(gating) == ["gate-key-silent"]


def test_with_key_all_a_performance_without_key_follows_the_others(tmp_path: Path) -> None:
    """Left is silent; its room is opened by right."""
    gating = song(
        tmp_path, gate=Gate(key="all"), parts={"left": [np.full(FRAMES, -300.0)], "right": RIGHT}, hiss_db=-300.0
    )
    assert [gain_db(gating, "left", t) for t in (2.0, 4.0)] == [-60.0, 0.0]


def test_sub_mics_are_no_key_while_there_is_a_close_mic(tmp_path: Path) -> None:
    """The sub mic hears something through the stops, far louder than the riff: it is not asked, unless
    alone."""
    mics = {"dynamic": Mic(), "sub": Mic(role="sub"), "room": Mic(role="room")}
    loud = {"sub": hold(8.0, 0.0)}
    assert song(tmp_path, mics=mics, loud=loud).riff_of("left").stops == 1
    alone = song(tmp_path, mics=mics, loud=loud, decisions={"dynamic": {"summed": False}})
    assert alone.riff_of("left").stops == 0


def test_the_recipes_gains_weigh_the_mics(tmp_path: Path) -> None:
    """A second close mic with noise 20 dB over the riff hides the stops, but not when its gain, or its
    group's, takes it 60 dB down."""

    def stops(gain_db: float, group_db: float) -> int:
        mics = {"dynamic": Mic(), "noisy": Mic(gain_db=gain_db), "room": Mic(role="room")}
        groups = {"all": Group(mics=("noisy",), gain_db=group_db)}
        return song(tmp_path, mics=mics, loud={"noisy": hold(8.0, 10.0)}, groups=groups).riff_of("left").stops

    assert [stops(0.0, 0.0), stops(-80.0, 0.0), stops(-40.0, -40.0)] == [0, 1, 1]


def test_a_song_that_is_silent_in_the_room_is_no_trouble(tmp_path: Path) -> None:
    """The room's own audio is never looked at; only where its sound arrives."""
    assert slugs(song(tmp_path, decisions={"room": {"arrival_samples": 480.0}})) == []
