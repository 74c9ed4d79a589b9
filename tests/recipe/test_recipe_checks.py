"""Faults between values: names that must exist, settings that exclude each other, names that collide."""

from pathlib import Path

import pytest

from premix.recipe.faults import Fault
from premix.recipe.read import for_record
from premix.recipe.yaml import plain, read_nodes

from .recipe_files import BASE, read, said, slugs

MICS = "mics: {dynamic: {}, ribbon: {}, sub: {role: sub}, room: {role: room}}"
SIDES = "performances: {left: {bus: left}, right: {bus: right}}"


def recipe(mics: str = MICS, performances: str = SIDES, more: str = "") -> str:
    """A recipe of these lines: format in line 1, mics in 2, performances in 3, the rest from 4 on."""
    return f"format: 1\n{mics}\n{performances}\n{more}"


FAULTS = {
    "unknown reference": (
        recipe(more="alignment: {reference: dynamc}"),
        "4:24 alignment.reference: there is no mic 'dynamc'; allowed: dynamic, ribbon; did you mean 'dynamic'?",
    ),
    "room as reference": (
        recipe(more="alignment: {reference: room}"),
        "4:24 alignment.reference: 'room' has the role room; allowed: a close mic: dynamic, ribbon",
    ),
    "unknown bus": (
        recipe(performances="performances: {left: {bus: lfet}}"),
        "3:28 performances.left.bus: there is no bus 'lfet'; allowed: left, right, centre, room_left, "
        "room_right; did you mean 'left'?",
    ),
    "unknown mic in an exception": (
        recipe(performances="performances: {left: {bus: left, mics: {ribon: {mute: true}}}}"),
        "3:41 performances.left.mics.ribon: there is no mic 'ribon'; allowed: dynamic, ribbon, sub, room; "
        "did you mean 'ribbon'?",
    ),
    "unknown mic in a variant": (
        recipe(more="variants: {v: {mics: {ribon: {mute: true}}}}"),
        "4:23 variants.v.mics.ribon: there is no mic 'ribon'",
    ),
    "unknown performance in a variant": (
        recipe(more="variants: {v: {performances: {lfet: {mute: true}}}}"),
        "4:31 variants.v.performances.lfet: there is no performance 'lfet'; allowed: left, right; did you mean 'left'?",
    ),
    "unknown bus in a variant": (
        recipe(more="variants: {v: {buses: {centr: {mute: true}}}}"),
        "4:24 variants.v.buses.centr: there is no bus 'centr'; allowed: left, right",
    ),
    "gate on a close mic": (
        recipe(mics="mics: {dynamic: {gate: {hold_ms: 3}}}"),
        "2:18 mics.dynamic.gate: only a room mic has a gate; give the mic 'role: room', or remove its gate",
    ),
    "crossed filters": (
        recipe(mics="mics: {dynamic: {high_pass_hz: 300, low_pass_hz: 200}}"),
        "2:32 mics.dynamic.high_pass_hz: the high-pass at 300 Hz is not below the low-pass at 200 Hz",
    ),
    "key band upside down": (
        recipe(more="gate: {band_hz: [5000, 80]}"),
        "4:17 gate.band_hz: 5000 Hz is not below 80 Hz; allowed: the low end first",
    ),
    "no close mic": (
        recipe(mics="mics: {room: {role: room}}", performances="performances: {left: {bus: left}}"),
        "3:16 performances.left: the set-up has no close mic",
    ),
    "all close mics muted": (
        recipe(
            mics="mics: {dynamic: {mute: true}, ribbon: {}}",
            performances="performances: {left: {bus: left, mics: {ribbon: {mute: true}}}}",
        ),
        "3:16 performances.left: every close mic is muted here",
    ),
    "all performances muted": (
        recipe(performances="performances: {left: {bus: left, mute: true}}"),
        "3:1 performances: every performance is muted",
    ),
    "flac and float": (
        recipe(more="deliver: {format: flac, bits: 32}"),
        "4:31 deliver.bits: FLAC holds no 32-bit float samples; allowed: 16 or 24, or the format wav",
    ),
    "dither and float": (
        recipe(more="deliver: {bits: 32, dither: tpdf}"),
        "4:29 deliver.dither: 32-bit float samples take no dither; allowed: auto or none",
    ),
    "a file twice": (
        recipe(more="deliver: {files: [stems, stems]}"),
        "4:26 deliver.files[1]: 'stems' stands twice; keep one of them",
    ),
    "names differ in case": (
        recipe(mics="mics: {dynamic: {}, Dynamic: {}}"),
        "2:21 mics.Dynamic: 'Dynamic' and 'dynamic' are one name where case does not count; rename one of them",
    ),
    "an alias is another mic": (
        recipe(mics="mics: {dynamic: {}, ribbon: {aliases: [rib, DYNAMIC]}}"),
        "2:45 mics.ribbon.aliases[1]: 'DYNAMIC' and 'dynamic' are one name where case does not count",
    ),
    "aliases of one form": (
        recipe(mics='mics: {dynamic: {aliases: ["ré"]}, ribbon: {aliases: ["re\u0301"]}}'),
        "2:55 mics.ribbon.aliases[0]: 're",
    ),
    "aliases of one meaning": (
        recipe(mics="mics: {dynamic: {aliases: [straße]}, ribbon: {aliases: [STRASSE]}}"),
        "2:57 mics.ribbon.aliases[0]: 'STRASSE' and 'straße' are one name",
    ),
    "names that join alike": (
        recipe(mics="mics: {b: {}, a_b: {}}", performances="performances: {l_a: {bus: left}, l: {bus: left}}"),
        "3:34 performances.l: 'l' with mic 'a_b' and 'l_a' with mic 'b' make the same file name",
    ),
    "song with a slash": (
        recipe(more="song: AC/DC"),
        "4:7 song: the song's name holds '/'; allowed: no control characters and none of <",
    ),
    "song with a line break": (recipe(more='song: "a\\nb"'), "4:7 song: the song's name holds '\\n'"),
    "hidden song": (recipe(more="song: .x"), "4:7 song: the song's name begins with a dot"),
    "reserved song": (recipe(more="song: nul"), "4:7 song: the song's name is reserved on some systems"),
    "song that ends in a dot": (recipe(more="song: 'a.'"), "4:7 song: the song's name begins or ends with a space"),
    "one name for all files": (
        recipe(more="deliver: {name: '{song}'}"),
        "4:17 deliver.name: without {part} all files would have the same name",
    ),
    "placeholder of no meaning": (
        recipe(more="deliver: {name: '{sogn}_{part}'}"),
        "4:17 deliver.name: unknown placeholder '{sogn}'; allowed: {song} and {part}",
    ),
    "broken template": (
        recipe(more="deliver: {name: '{part'}"),
        "4:17 deliver.name: a brace without its partner; allowed: {song} and {part}",
    ),
    "template with attributes": (
        recipe(more="deliver: {name: '{part!r}'}"),
        "4:17 deliver.name: a brace without its partner",
    ),
    "folder in a template": (recipe(more="deliver: {name: 'x/{part}'}"), "4:17 deliver.name: the file name holds '/'"),
    "pattern without mic": (
        recipe(more="tracks: {name: '{performance}.wav'}"),
        "4:16 tracks.name: without {mic} the mics cannot be told apart",
    ),
    "pattern without performance": (
        recipe(more="tracks: {name: '{mic}.wav'}"),
        "4:16 tracks.name: without {performance} the performances cannot be told apart",
    ),
    "unknown placeholder in a pattern": (
        recipe(more="tracks: {name: '{performance}_{mik}_{mic}.wav'}"),
        "4:16 tracks.name: unknown placeholder '{mik}'; allowed: {performance}, {mic}, {song}, * and ?",
    ),
    "broken pattern": (recipe(more="tracks: {name: '{mic'}"), "4:16 tracks.name: a brace without its partner"),
    "pattern that leads out": (
        recipe(more="tracks: {name: '../{performance}_{mic}.wav'}"),
        "4:16 tracks.name: the path leads out of the tracks folder",
    ),
    "backslashes": (
        recipe(more="tracks: {name: 'a\\{performance}_{mic}.wav'}"),
        "4:16 tracks.name: a backslash stands in the path; allowed: / between folders",
    ),
    "file that leads out": (
        recipe(performances="performances: {left: {bus: left, mics: {ribbon: {file: /tmp/x.wav}}}}"),
        "3:56 performances.left.mics.ribbon.file: the path leads out of the tracks folder",
    ),
    "unknown processor": (
        recipe(mics="mics: {dynamic: {chain: [{high_pas: {cutoff_hz: 80}}]}}"),
        "2:27 mics.dynamic.chain[0].high_pas: there is no processor 'high_pas'; allowed: high_pass, low_pass",
    ),
    "unknown bare processor": (
        recipe(more="guitar_bus: {chain: [invert]}"),
        "4:22 guitar_bus.chain[0]: there is no processor 'invert'",
    ),
    "processor at the wrong place": (
        recipe(more="buses: {left: {chain: [mid_side]}}"),
        "4:24 buses.left.chain[0]: 'mid_side' stands on the guitar_bus only",
    ),
    "unknown parameter": (
        recipe(mics="mics: {dynamic: {chain: [{high_pass: {cutoff_hz: 80, slope_db: 12}}]}}"),
        "2:54 mics.dynamic.chain[0].high_pass.slope_db: unknown key 'slope_db'; allowed: cutoff_hz, slope_db_oct, "
        "phase; did you mean 'slope_db_oct'?",
    ),
    "parameter out of range": (
        recipe(mics="mics: {dynamic: {chain: [polarity, {bell: {frequency_hz: 900, gain_db: 60}}]}}"),
        "2:72 mics.dynamic.chain[1].bell.gain_db: 60 is out of range; allowed: a number from -36 to 36 dB",
    ),
    "parameter of the wrong type": (
        recipe(mics="mics: {dynamic: {chain: [{high_pass: {cutoff_hz: 80 Hz}}]}}"),
        "2:50 mics.dynamic.chain[0].high_pass.cutoff_hz: '80 Hz' cannot stand here; allowed: a number from 10 to 86400 "
        "Hz; write the number alone: 80",
    ),
    "parameter that is no number": (
        recipe(more="groups: {g: {mics: [dynamic], chain: [{gain: {gain_db: .nan}}]}}"),
        "4:56 groups.g.chain[0].gain.gain_db: '.nan' is no finite number",
    ),
    "missing parameter": (
        recipe(more="performances: {left: {bus: left, chain: [{high_pass: {slope_db_oct: 24}}]}}", performances=""),
        "4:54 performances.left.chain[0].high_pass.cutoff_hz: 'cutoff_hz' is missing; allowed: a number from 10 to",
    ),
    "missing parameters of a bare name": (
        recipe(more="buses: {left: {chain: [high_pass]}}"),
        "4:24 buses.left.chain[0].cutoff_hz: 'cutoff_hz' is missing",
    ),
}


@pytest.mark.parametrize("case", FAULTS)
def test_a_fault_between_values_is_one_line_at_its_place(tmp_path: Path, case: str) -> None:
    """Place, words and nothing else told with it."""
    text, expected = FAULTS[case]
    lines = said(tmp_path, text)
    assert lines[0].startswith("recipe.yaml:" + expected)
    assert len(lines) == 1


FINE = {
    "empty chains": recipe(mics="mics: {dynamic: {chain: []}}", more="guitar_bus: {chain: []}\ngroups: {}"),
    "one mic needs no {mic}": recipe(mics="mics: {dynamic: {}}", more="tracks: {name: '{performance}.wav'}"),
    "files for all but one performance": recipe(
        mics="mics: {dynamic: {}}",
        performances="performances: {left: {bus: left}, right: {bus: right, mics: {dynamic: {file: r.wav}}}}",
        more="tracks: {name: 'left take.wav'}",
    ),
    "an alias that is the mic's own name in capitals elsewhere": recipe(
        performances="performances: {room: {bus: left}, left: {bus: left}}"
    ),
    "exception unmutes": recipe(
        mics="mics: {dynamic: {mute: true}}",
        performances="performances: {left: {bus: left, mics: {dynamic: {mute: false}}}}",
    ),
    "sub alone": recipe(mics="mics: {sub: {role: sub}}", performances="performances: {left: {bus: left}}"),
    "follow": recipe(more="gate: {mode: follow, ratio: 2, invert: false, band_hz: [100, 4000]}"),
    "rooms as recorded": recipe(more="deliver: {files: [rooms_ungated, aligned_mics]}"),
    "song in other letters": recipe(more="song: 北の海 (live)"),
}


@pytest.mark.parametrize("case", FINE)
def test_what_is_fine_is_not_told(tmp_path: Path, case: str) -> None:
    """The checks find no fault in recipes at the edge of what is allowed."""
    assert read(tmp_path, FINE[case]).recipe.format == 1


def test_faults_between_values_are_told_beside_wrong_values(tmp_path: Path) -> None:
    """A wrong value hides no fault elsewhere, and makes none up."""
    text = recipe(
        mics="mics: {dynamic: 3, ribbon: {gian_db: 1}}",
        performances="performances: {left: {bus: left, mics: {ribon: {mute: 1}}}, right: {buss: right}}",
    )
    assert slugs(said(tmp_path, text)) == [
        "recipe-wrong-value",  # dynamic: 3
        "recipe-unknown-key",  # gian_db
        "recipe-unknown-mic",  # ribon
        "recipe-wrong-value",  # mute: 1
        "recipe-missing-key",  # bus
        "recipe-unknown-key",  # buss
    ]


def test_standing_buses_lie_under_what_the_recipe_says(tmp_path: Path) -> None:
    """left, right and centre keep their pan and level where a recipe says nothing of it; what it says holds."""
    text = recipe(
        performances="performances: {l: {bus: left}, c: {bus: centre}, x: {bus: wide}}",
        more="buses: {left: {gain_db: -1, pan: -0.5}, centre: {gain_db: -9}, wide: {pan: 0.5}}",
    )
    buses = read(tmp_path, text).recipe.buses
    assert {name: (bus.pan, bus.gain_db) for name, bus in buses.items()} == {
        "left": (-0.5, -1.0),
        "centre": (0.0, -9.0),
        "wide": (0.5, 0.0),
    }


def test_a_high_pass_and_a_low_pass_at_one_corner_leave_nothing(tmp_path: Path) -> None:
    """Equal corners cross as much as those the wrong way round; a hertz between them is enough. (The other fault only
    makes the recipe have something to say.)"""
    for high_hz, crossed in ((400, True), (399, False)):
        mics = f"mics: {{dynamic: {{high_pass_hz: {high_hz}, low_pass_hz: 400}}, mic: {{gian_db: 1}}}}"
        assert ("recipe-filters-cross" in slugs(said(tmp_path, recipe(mics=mics)))) is crossed


def test_buses_that_nothing_is_sent_to_are_not_made_up(tmp_path: Path) -> None:
    """A recipe without a centre has no centre bus."""
    assert list(read(tmp_path, BASE).recipe.buses) == ["left"]


def test_chain_steps_become_kind_and_parameters(tmp_path: Path) -> None:
    """A bare name, a name with parameters, a name with none; anything else is no processor."""
    text = "guitar_bus: {chain: [polarity, {high_pass: {cutoff_hz: 80}}, {reverb: null}]}\n"
    root = read_nodes(text, "x", [])
    assert root is not None
    faults: list[Fault] = []
    steps = for_record(plain(root), root, faults)["guitar_bus"]["chain"]
    assert steps == ({"kind": "polarity"}, {"kind": "high_pass", "params": {"cutoff_hz": 80}}, {"kind": "reverb"})
    assert faults == []
    lines = said(tmp_path, BASE + "guitar_bus: {chain: [3, {a: {}, b: {}}, {c: 1}, []]}\n")
    assert slugs(lines) == ["recipe-chain-step"] * 4
