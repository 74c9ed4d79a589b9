"""Where a recipe sends its mics: faults in it, at their places; and what each mic's bus, group and channel come to."""

from pathlib import Path

import pytest

from premix.model.song import Mic, Song
from premix.units import gain_to_db
from tests.rigs.songs import Settings, recipe_of, song_from

from .recipe_files import read, said

MICS = "mics: {dynamic: {}, ribbon: {}, room: {role: room}, di: {role: di}}"
SIDES = "performances: {left: {bus: left}, right: {bus: right}}"


def recipe(mics: str = MICS, performances: str = SIDES, more: str = "") -> str:
    """A recipe of these lines: format in line 1, mics in 2, performances in 3, the rest from 4 on."""
    return f"format: 1\n{mics}\n{performances}\n{more}"


def groups(text: str) -> str:
    return recipe(more=f"groups: {{{text}}}\n")


FAULTS = {
    "unknown bus of a room": (
        recipe(mics="mics: {dynamic: {}, room: {role: room, bus: rom_left}}"),
        "2:45 mics.room.bus: there is no bus 'rom_left'; allowed: left, right, centre, room_left, room_right; "
        "did you mean 'room_left'?",
    ),
    "unknown bus of a group": (
        groups("g: {mics: [dynamic], stem: own, bus: lfet}"),
        "4:47 groups.g.bus: there is no bus 'lfet'",
    ),
    "unknown bus in a group's exception": (
        recipe(
            performances="performances: {left: {bus: left, groups: {g: {bus: lfet}}}}",
            more="groups: {g: {mics: [dynamic], stem: own}}",
        ),
        "3:52 performances.left.groups.g.bus: there is no bus 'lfet'",
    ),
    "unknown group in a performance": (
        recipe(
            performances="performances: {left: {bus: left, groups: {amp: {mute: true}}}}",
            more="groups: {amps: {mics: [dynamic], stem: own}}",
        ),
        "3:43 performances.left.groups.amp: there is no group 'amp'; allowed: amps; did you mean 'amps'?",
    ),
    "a close mic on a bus of its own": (
        recipe(mics="mics: {dynamic: {bus: left}}"),
        "2:18 mics.dynamic.bus: 'dynamic' is no room mic, so it goes where its stem goes",
    ),
    "the same in a performance": (
        recipe(performances="performances: {left: {bus: left, mics: {ribbon: {bus: right}}}}"),
        "3:50 performances.left.mics.ribbon.bus: 'ribbon' is no room mic, so it goes where its stem goes",
    ),
    "a group that shares a stem on a bus of its own": (
        groups("g: {mics: [dynamic], bus: right}"),
        "4:31 groups.g.bus: the group 'g' has no stem of its own that could be sent anywhere",
    ),
    "a stem of rooms": (
        groups("g: {mics: [room], stem: own}"),
        "4:20 groups.g.mics: a stem of its own is made of close mics, and this group has none",
    ),
    "a mic in two stems": (
        groups("a: {mics: [dynamic], stem: own}, b: {mics: [ribbon, dynamic], stem: own}"),
        "4:53 groups.b.mics: 'dynamic' is in the stem of 'a' already",
    ),
    "a group called rest": (
        groups("rest: {mics: [dynamic], stem: own}"),
        "4:10 groups.rest: 'rest' is what the stem of the mics in no group is called",
    ),
    "a group's stem that is called as another performance's": (
        recipe(
            performances="performances: {left: {bus: left}, left_A: {bus: left}}",
            more="groups: {a: {mics: [dynamic], stem: own}}",
        ),
        "4:10 groups.a: group 'a' of performance 'left' and performance 'left_A' would make the same file name",
    ),
    "a rest that is called as another performance": (
        recipe(
            performances="performances: {left: {bus: left}, left_rest: {bus: left}}",
            more="groups: {a: {mics: [dynamic], stem: own}}",
        ),
        "3:16 performances.left: the rest of performance 'left' and performance 'left_rest' would make the same",
    ),
    "a room of its own side in the stem": (
        recipe(mics="mics: {dynamic: {}, room: {role: room, bus: room_left}}", more="deliver: {room: stem}"),
        "4:17 deliver.room: a room with a bus of its own in mics.room.bus is part of no one stem; allowed: own",
    ),
    "a room in stems in parts": (
        recipe(more="groups: {a: {mics: [dynamic], stem: own}}\ndeliver: {room: both}"),
        "5:17 deliver.room: a room beside the own stem of 'a' is part of no one stem; allowed: own",
    ),
    "a gain on a DI": (
        recipe(mics="mics: {dynamic: {}, di: {role: di, gain_db: -3}}"),
        "2:36 mics.di.gain_db: 'di' is a DI: it is never summed, never moved, never changed",
    ),
    "a delay of a DI in one performance": (
        recipe(performances="performances: {left: {bus: left, mics: {di: {delay: {ms: 3}}}}}"),
        "3:46 performances.left.mics.di.delay: 'di' is a DI: it is never summed, never moved, never changed",
    ),
    "a DI in a group": (groups("a: {mics: [dynamic, di]}"), "4:30 groups.a.mics[1]: 'di' is a DI, which is in no sum"),
    "a gate on a DI": (
        recipe(mics="mics: {dynamic: {}, di: {role: di, gate: {hold_ms: 3}}}"),
        "2:36 mics.di.gate: only a room mic has a gate",
    ),
    "nothing but a DI": (
        recipe(mics="mics: {di: {role: di}}", performances="performances: {left: {bus: left}}"),
        "3:16 performances.left: the set-up has no close mic",
    ),
    "one name for two mics of one channel": (
        recipe(mics="mics: {dynamic: {}, a: {channel: 1, aliases: [x]}, b: {channel: left, aliases: [x]}}"),
        "2:81 mics.b.aliases[0]: 'x' and 'x' are one name where case does not count",
    ),
    "one name for a mic of a channel and one of none": (
        recipe(mics="mics: {dynamic: {}, x: {}, b: {channel: left, aliases: [X]}}"),
        "2:57 mics.b.aliases[0]: 'X' and 'x' are one name where case does not count",
    ),
    "without a mic that is none": (
        recipe(performances="performances: {left: {bus: left, without: [ribon]}}"),
        "3:44 performances.left.without[0]: there is no mic 'ribon'; allowed: dynamic, ribbon, room, di",
    ),
    "settings of a mic that is not there": (
        recipe(performances="performances: {left: {bus: left, without: [ribbon], mics: {ribbon: {mute: true}}}}"),
        "3:60 performances.left.mics.ribbon: 'ribbon' is among those that this performance is without",
    ),
    "without any close mic": (
        recipe(
            performances="performances: {left: {bus: left, mute: true, without: [dynamic, ribbon]}, r: {bus: right}}"
        ),
        "3:55 performances.left.without: no close mic is left",
    ),
    "a channel that is none": (
        recipe(mics="mics: {dynamic: {channel: both}}"),
        "2:27 mics.dynamic.channel: 'both' cannot stand here",
    ),
}


@pytest.mark.parametrize("case", FAULTS)
def test_a_fault_is_one_line_at_its_place(tmp_path: Path, case: str) -> None:
    """Place, words and nothing else told with it."""
    text, expected = FAULTS[case]
    lines = said(tmp_path, text)
    assert lines[0].startswith("recipe.yaml:" + expected)
    assert len(lines) == 1


FINE = {
    "a DI that says what it is anyway": recipe(
        mics="mics: {dynamic: {}, di: {role: di, gain_db: 0, polarity: auto, delay: none, chain: [], mute: true}}"
    ),
    "two mics of one file": recipe(
        mics="mics: {dynamic: {}, a: {role: room, channel: 1, aliases: [x]}, b: {role: room, channel: 2, aliases: [x]}}"
    ),
    "the room in the stem beside a group that shares it": recipe(
        more="groups: {a: {mics: [dynamic]}}\ndeliver: {room: stem}"
    ),
    "stems in parts where there is no room": recipe(
        mics="mics: {dynamic: {}, ribbon: {}}", more="groups: {a: {mics: [dynamic], stem: own}}\ndeliver: {room: stem}"
    ),
    "a group called rest that shares the stem": groups("rest: {mics: [dynamic]}"),
}


@pytest.mark.parametrize("case", FINE)
def test_what_is_fine_is_not_told(tmp_path: Path, case: str) -> None:
    """At the edge of what is allowed."""
    assert read(tmp_path, FINE[case]).recipe.format == 1


AMPS: Settings = {
    "a_dynamic": {"gain_db": -1},
    "b_dynamic": {},
    "b_room": {"role": "room"},
    "spare": {},
    "room": {"role": "room", "bus": "room_left"},
    "di": {"role": "di"},
}


def amps(**sections: Settings) -> Song:
    """Two takes through two amps; the second sends them the other way round, amp b softer."""
    made: Settings = {
        "groups": {
            "a": {"mics": ("a_dynamic",), "stem": "own", "bus": "left", "gain_db": -2.0},
            "b": {"mics": ("b_dynamic", "b_room"), "stem": "own", "bus": "right"},
        },
        "performances": {
            "first": {"bus": "centre", "mics": {"room": {"bus": "room_right"}}},
            "second": {
                "bus": "centre",
                "groups": {"a": {"bus": "right"}, "b": {"bus": "left", "gain_db": -6.0, "mute": True}},
            },
        },
    }
    made = {**made, **sections}
    return song_from(recipe_of(AMPS, **made))


def mic(song: Song, performance: str, name: str) -> Mic:
    found = song.performance(performance).mic(name)
    assert found is not None
    return found


def test_a_mic_goes_where_its_group_or_performance_goes() -> None:
    """The group's bus, the performance's exception to it, a room's own, and else the performance's."""
    song = amps()
    buses = {p.name: {m.name: m.bus for m in p.mics} for p in song.performances}
    assert buses["first"] == {
        "a_dynamic": "left", "b_dynamic": "right", "b_room": "right", "spare": "centre", "room": "room_right",
        "di": "centre",
    }  # fmt: skip
    assert buses["second"] == {
        "a_dynamic": "right", "b_dynamic": "left", "b_room": "left", "spare": "centre", "room": "room_left",
        "di": "centre",
    }  # fmt: skip
    assert {m.name: m.group for m in song.performance("first").mics if m.group} == {"a_dynamic": "a", "b_dynamic": "b"}


def test_a_groups_gain_and_mute_may_differ_in_one_performance() -> None:
    """Its gain takes the place of the group's; the mute is that of all its mics, rooms too."""
    song = amps()
    gains_db = {"first": (-3.0, 0.0), "second": (-3.0, -6.0)}
    for performance, (a_db, b_db) in gains_db.items():
        assert mic(song, performance, "a_dynamic").gain == pytest.approx(10.0 ** (a_db / 20.0), rel=1e-12)
        assert mic(song, performance, "b_room").gain == pytest.approx(10.0 ** (b_db / 20.0), rel=1e-12)
    muted = {m.label for m in song.mics if m.mute}
    assert muted == {"second/b_dynamic", "second/b_room"}


def test_a_di_is_neither_close_nor_room_nor_judged() -> None:
    """But one of the performance's mics."""
    performance = amps().performance("first")
    assert [m.name for m in performance.dis] == ["di"]
    assert "di" not in {m.name for m in performance.judged} and performance.mic("di") is not None


def test_a_performance_may_be_without_mics_and_groups() -> None:
    """A group stands for all its mics; where the reference is gone, the first close mic that is left stays."""
    sides: Settings = {
        "both": {"bus": "left"},
        "a_only": {"bus": "left", "without": ("b", "di")},
        "b_only": {"bus": "right", "without": ("a", "spare")},
    }
    song = amps(performances=sides)
    mics = {p.name: [m.name for m in p.mics] for p in song.performances}
    assert mics["both"] == list(AMPS)
    assert mics["a_only"] == ["a_dynamic", "spare", "room"]
    assert mics["b_only"] == ["b_dynamic", "b_room", "room", "di"]
    assert [p.reference for p in song.performances] == ["a_dynamic", "a_dynamic", "b_dynamic"]
    assert song.reference == "a_dynamic"


@pytest.mark.parametrize(
    ("muted", "heard"), [((), True), (("left", "right"), True), (("left", "right", "centre", "room_right"), False)]
)
def test_a_performance_is_heard_while_one_of_its_buses_is(muted: tuple[str, ...], heard: bool) -> None:
    """Its room's and its groups' buses count."""
    song = amps(buses={name: {"mute": True} for name in muted})
    assert song.performance("first").heard is heard


def test_the_room_buses_stand_ready() -> None:
    """Hard left and right, 3 dB lower; there only where they are used."""
    buses = {bus.name: (bus.pan, round(gain_to_db(bus.gain), 6)) for bus in amps().buses}
    assert buses["room_left"] == (-1.0, -3.0) and buses["room_right"] == (1.0, -3.0)
    plain = song_from(recipe_of({"dynamic": {}, "room": {"role": "room"}}))
    assert [bus.name for bus in plain.buses] == ["left"]


@pytest.mark.parametrize(("written", "means"), [("left", 1), ("right", 2), (3, 3), ("mix", "mix"), (None, None)])
def test_a_channel_is_a_number_or_the_mix(written: int | str | None, means: int | str | None) -> None:
    """Counted from 1; what one performance says takes its place."""
    own: Settings = {} if written is None else {"channel": written}
    sides = {"left": {"bus": "left"}, "right": {"bus": "right", "mics": {"dynamic": {"channel": 4}}}}
    song = song_from(recipe_of({"dynamic": own}, sides))
    assert [m.channel for m in song.mics] == [means, 4]
