"""Stems of groups, rooms on buses of their own, and DIs: what is sent where adds up, and a DI stays what it is."""

from pathlib import Path

import numpy as np
import pytest

from premix.arrays import FloatArray
from premix.pipeline import render
from tests.rigs.sessions import (
    Song,
    level_db,
    manifest_of,
    on_grid,
    parts_of,
    read,
    riff,
    rms_db,
    samples,
    write_song,
    write_track,
)

FRAMES = 2 * 48000
MICS = ("a_dynamic", "a_ribbon", "b_dynamic", "spare", "room_l", "room_r", "di")
RECIPE = """\
format: 1
song: Amps
mics:
  a_dynamic: {polarity: normal, delay: none}
  a_ribbon: {gain_db: -3, polarity: inverted, delay: {samples: 6.37}}
  b_dynamic: {gain_db: -1, polarity: normal, delay: {samples: -2}}
  spare: {gain_db: -9, polarity: normal, delay: none}
  room_l: {role: room, bus: room_left, polarity: normal}
  room_r: {role: room, bus: room_right, polarity: normal}
  di: {role: di}
groups:
  amp_a: {mics: [a_dynamic, a_ribbon], stem: own, bus: left, gain_db: -1}
  amp_b: {mics: [b_dynamic], stem: own, bus: right}
performances:
  first: {bus: centre, gain_db: -1.5}
  second: {bus: centre, groups: {amp_a: {bus: right, gain_db: -4}, amp_b: {bus: left}}}
buses: {centre: {gain_db: -2.5}, left: {gain_db: 1.2}}
gate: {mode: "off"}
deliver: {bits: 32, ceiling_dbtp: -6, balance: in_sheet}
"""
FLOAT_ROUNDING = 2.0**-25
"""Half a step of a 32-bit float between 0.5 and 1 (IEEE 754)."""


@pytest.fixture(scope="module")
def tracks() -> dict[str, FloatArray]:
    """Two performances of seven mics, each a sound of its own on the grid of 24 bits."""
    names = [f"{performance}_{mic}" for performance in ("first", "second") for mic in MICS]
    return {name: on_grid(riff(seed, FRAMES, peak=0.6)) for seed, name in enumerate(names)}


@pytest.fixture(scope="module")
def song(tracks: dict[str, FloatArray], tmp_path_factory: pytest.TempPathFactory) -> Song:
    """Two takes through two amps, on opposite sides in each."""
    return write_song(tmp_path_factory.mktemp("amps"), RECIPE, tracks)


def rendered(song: Song, name: str, recipe: str = RECIPE, **settings: str) -> Path:
    """A render of the song after a recipe."""
    path = song.recipe.with_name(f"{name}.yaml")
    path.write_text(recipe, "utf-8")
    out = song.out(name)
    render(path, song.tracks, out, force=True, settings=[f"{key}={value}" for key, value in settings.items()])
    return out


@pytest.fixture(scope="module")
def out(song: Song) -> Path:
    return rendered(song, "plain")


def test_each_group_is_a_stem_and_what_is_left_is_the_rest(out: Path) -> None:
    """Where each goes is the group's bus, or what the performance says of it; the rest and no whole stem is written."""
    stems = {p["part"]: (p["bus"], p["group"], p["path"]) for p in parts_of(out).values() if p["kind"] == "stem"}
    assert stems == {
        "stem_first_amp_a": ("left", "amp_a", "stems/Amps_stem_first_amp_a.wav"),
        "stem_first_amp_b": ("right", "amp_b", "stems/Amps_stem_first_amp_b.wav"),
        "stem_first_rest": ("centre", None, "stems/Amps_stem_first_rest.wav"),
        "stem_second_amp_a": ("right", "amp_a", "stems/Amps_stem_second_amp_a.wav"),
        "stem_second_amp_b": ("left", "amp_b", "stems/Amps_stem_second_amp_b.wav"),
        "stem_second_rest": ("centre", None, "stems/Amps_stem_second_rest.wav"),
    }
    rooms = {p["part"]: p["bus"] for p in parts_of(out).values() if p["kind"] == "room"}
    assert rooms == {f"room_{p}_room_{s[0]}": f"room_{s}" for p in ("first", "second") for s in ("left", "right")}


@pytest.mark.parametrize("balance", ["in_files", "in_sheet"])
def test_everything_nulls_against_its_bus_and_the_buses_against_the_guitar_bus(song: Song, balance: str) -> None:
    """Below -140 dB, the common trim on all of it; in the files, every part at zero adds up to the guitar bus."""
    out = rendered(song, balance, **{"deliver.balance": balance})
    document, parts = manifest_of(out), parts_of(out)
    assert document["trim_db"] < 0.0
    stereo = np.zeros((2, FRAMES))
    for bus in document["buses"]:
        own = samples(out, f"bus_{bus['bus']}")
        members = [p for p in parts.values() if p["kind"] in ("stem", "room") and p["bus"] == bus["bus"]]
        total = sum(10.0 ** (p["gain_to_bus_db"] / 20.0) * samples(out, p["part"]) for p in members)
        assert level_db(own) > -40.0 and rms_db(own - total) < -140.0
        stereo += np.array([[bus["left_gain"]], [bus["right_gain"]]]) * own
    assert rms_db(samples(out, "guitars") - stereo) < -140.0
    if balance == "in_files":
        assert {p["gain_to_bus_db"] for p in parts.values() if p["kind"] in ("stem", "room")} == {0.0}
    assert {bus["bus"] for bus in document["buses"]} == {"left", "right", "centre", "room_left", "room_right"}


def test_the_stems_of_a_performance_add_up_to_its_whole_stem(song: Song, out: Path) -> None:
    """The same recipe without groups, but for their gains: one stem that is the sum of the three."""
    plain = RECIPE.replace(", stem: own, bus: left", "").replace(", stem: own, bus: right", "")
    plain = plain.replace("bus: right, gain_db: -4", "gain_db: -4").replace("amp_b: {bus: left}", "amp_b: {}")
    whole = rendered(song, "whole", plain)
    gain = 10.0 ** ((manifest_of(out)["trim_db"] - manifest_of(whole)["trim_db"]) / 20.0)
    for name in ("first", "second"):
        total = sum(samples(out, f"stem_{name}_{part}") for part in ("amp_a", "amp_b", "rest"))
        assert np.max(np.abs(total - gain * samples(whole, f"stem_{name}"))) <= 5 * FLOAT_ROUNDING


def test_a_groups_stem_is_its_mics_at_their_gains(out: Path, tracks: dict[str, FloatArray]) -> None:
    """Gain of the mic, of the group (the performance's, where it says one), of the performance, and the trim."""
    trim_db = manifest_of(out)["trim_db"]
    for name, gain_db in (("first", -1.0 - 1.5), ("second", -1.0)):
        wanted = np.zeros(FRAMES)
        wanted[2:] = tracks[f"{name}_b_dynamic"][:-2] * 10.0 ** ((gain_db + trim_db) / 20.0)
        assert np.max(np.abs(samples(out, f"stem_{name}_amp_b") - wanted)) <= FLOAT_ROUNDING


def test_a_performances_chain_stands_on_each_stem(song: Song) -> None:
    """A linear one on every part is the same as on the sum; the parts still null against their buses."""
    chained = RECIPE.replace("first: {", "first: {chain: [{high_pass: {cutoff_hz: 120, phase: linear}}], ")
    parts = rendered(song, "chained", chained)
    rest = samples(parts, "bus_centre") - sum(
        10.0 ** (p["gain_to_bus_db"] / 20.0) * samples(parts, p["part"])
        for p in parts_of(parts).values()
        if p["kind"] == "stem" and p["bus"] == "centre"
    )
    assert rms_db(rest) < -140.0
    low = np.abs(np.fft.rfft(samples(parts, "stem_first_amp_a")[0]))[: round(40 * FRAMES / 48000)]
    high = np.abs(np.fft.rfft(samples(parts, "stem_second_amp_a")[0]))[: round(40 * FRAMES / 48000)]
    assert rms_db(low) < rms_db(high) - 15.0


def test_a_muted_bus_takes_only_its_own_stems_away(song: Song) -> None:
    """Stems and rooms of other buses stay; nothing of the muted one is rendered."""
    parts = parts_of(rendered(song, "muted", **{"buses.left.mute": "true", "buses.room_left.mute": "true"}))
    assert "bus_left" not in parts and "bus_room_left" not in parts
    assert {p["part"] for p in parts.values() if p["kind"] == "stem"} == {
        "stem_first_amp_b", "stem_first_rest", "stem_second_amp_a", "stem_second_rest",
    }  # fmt: skip
    assert {p["mic"] for p in parts.values() if p["kind"] == "room"} == {"room_r"}


def test_a_muted_group_leaves_the_performance(song: Song) -> None:
    """performances.<name>.groups.<name>.mute, in this performance alone."""
    parts = parts_of(rendered(song, "without", **{"performances.first.groups": "{amp_a: {mute: true}}"}))
    assert "stem_first_amp_a" not in parts and "stem_first_amp_b" in parts and "stem_second_amp_a" in parts


def test_a_di_is_delivered_bit_for_bit_without_the_trim(song: Song, tracks: dict[str, FloatArray]) -> None:
    """24 bits in, 24 bits out, whatever is done to the rest; its bus is none, and it is in no bus's sum."""
    out = rendered(song, "ints", **{"deliver.bits": "24"})
    assert manifest_of(out)["trim_db"] < 0.0
    for name in ("first", "second"):
        part = parts_of(out)[f"di_{name}"]
        assert (part["kind"], part["bus"], part["path"]) == ("di", None, f"di/Amps_di_{name}.wav")
        assert np.array_equal(samples(out, f"di_{name}")[0], tracks[f"{name}_di"])


def test_a_di_keeps_its_place_on_the_time_line_beside_chains_that_are_late(song: Song) -> None:
    """A linear-phase filter on a bus is read ahead: the DI is not."""
    chain = "[{high_pass: {cutoff_hz: 120, phase: linear}}]"
    out = rendered(song, "late", **{"buses.centre.chain": chain, "guitar_bus.chain": chain, "deliver.bits": "24"})
    assert np.array_equal(samples(out, "di_first"), read(song.tracks / "first_di.wav"))


@pytest.mark.parametrize(("bits", "told"), [(24, 1), (32, 0)])
def test_a_di_over_full_scale_is_told_where_the_files_cannot_hold_it(
    song: Song, tracks: dict[str, FloatArray], tmp_path: Path, bits: int, told: int
) -> None:
    """A float DI is never turned down: cut off in integers, and said; whole in floats."""
    loud = tracks["first_di"] * 2.0
    hot = write_song(tmp_path, RECIPE, tracks)
    write_track(hot.tracks / "first_di.wav", loud, subtype="FLOAT")
    out = rendered(hot, "hot", **{"deliver.bits": str(bits)})
    clipped = [f for f in manifest_of(out)["findings"] if f["slug"] == "di-clipped"]
    assert [f["subject"] for f in clipped] == ["first/di"] * told
    assert bool(np.array_equal(samples(out, "di_first")[0], loud.astype(np.float32))) == (bits == 32)


def test_a_stereo_room_that_hears_one_sound_is_one_room_mic_in_the_middle(tmp_path: Path) -> None:
    """At the pan law of -3 dB: the ready-made buses are 3 dB down, so nothing is added to the mono sum twice.

    sin/cos panning puts a mono signal at -3.01 dB on either side (common practice, from memory).
    """
    tracks = {
        "left_dynamic": riff(1, FRAMES, peak=0.1),
        **dict.fromkeys(("left_l", "left_r"), riff(2, FRAMES, peak=0.3)),
    }
    recipe = """\
format: 1
mics:
  dynamic: {}
  l: {role: room, bus: room_left, polarity: normal}
  r: {role: room, bus: room_right, polarity: normal}
performances: {left: {bus: left}}
buses: {left: {gain_db: -120}, middle: {pan: 0}}
gate: {mode: "off"}
deliver: {bits: 32}
"""
    song = write_song(tmp_path, recipe, tracks)
    pair, one = (samples(rendered(song, n, r), "guitars") for n, r in (
        ("pair", recipe),
        ("one", recipe.replace("bus: room_left", "bus: middle").replace("bus: room_right,", "mute: true,")),
    ))  # fmt: skip
    assert rms_db(pair) == pytest.approx(rms_db(one), abs=0.011)  # -3 dB against -3.01 dB
    assert rms_db(pair.sum(axis=0)) == pytest.approx(rms_db(one.sum(axis=0)), abs=0.011)
