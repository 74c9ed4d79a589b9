"""Stems and rooms null against their bus, buses against the guitar bus, at the gains that the manifest states."""

from pathlib import Path

import numpy as np
import pytest

from premix.arrays import FloatArray
from premix.pipeline import render
from tests.rigs.sessions import level_db, manifest_of, parts_of, riff, rms_db, samples, write_song

FRAMES = 2 * 48000
RECIPE = """\
format: 1
song: Nulls
mics:
  dynamic: {polarity: normal, delay: none}
  ribbon: {gain_db: -3.3, polarity: inverted, delay: {samples: 6.37}}
  sub: {role: sub, gain_db: -8, low_pass_hz: 180, polarity: normal, delay: {cm: 10}}
  room: {role: room, gain_db: -4, polarity: normal}
  far: {role: room, gain_db: -9, polarity: inverted}
performances:
  left_a: {bus: left, gain_db: -1.5}
  left_b: {bus: left, gain_db: -2.5}
  right_a: {bus: right}
  centre: {bus: centre}
buses:
  left: {pan: -0.8, gain_db: -2}
  right: {pan: 0.7, gain_db: 0.4}
  centre: {pan: 0.1}
guitar_bus: {width: 1.3, gain_db: -1.1}
deliver: {bits: 32, ceiling_dbtp: -12, room: own}
"""
FLOAT_ROUNDING = 2.0**-25
"""Half a step of a 32-bit float between 0.5 and 1, the coarsest that a sample under full scale meets (IEEE 754)."""


@pytest.fixture(scope="module")
def tracks() -> dict[str, FloatArray]:
    """Four performances of five mics; quiet enough together, loud enough that the ceiling trims."""
    return {
        f"{performance}_{mic}": riff(seed, FRAMES, peak=0.5) * (1.0 if number < 3 else 0.5)
        for seed, performance in enumerate(("left_a", "left_b", "right_a", "centre"))
        for number, mic in enumerate(("dynamic", "ribbon", "sub", "room", "far"))
    }


@pytest.fixture(scope="module")
def outs(tracks: dict[str, FloatArray], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A render for each place of the room."""
    top, made = tmp_path_factory.mktemp("nulls"), {}
    for place in ("own", "stem", "both"):
        for balance in ("in_files", "in_sheet"):
            deliver = f"room: {place}, balance: {balance}}}"
            song = write_song(top / place / balance, RECIPE.replace("room: own}", deliver), tracks)
            render(song.recipe, song.tracks, song.out())
            made[f"{place} {balance}"] = song.out()
    return made


@pytest.fixture(params=["own in_files", "stem in_files", "both in_files", "own in_sheet", "stem in_sheet"])
def out(request: pytest.FixtureRequest, outs: dict[str, Path]) -> Path:
    """Each of the renders."""
    return outs[str(request.param)]


def test_stems_and_rooms_null_against_each_bus(out: Path) -> None:
    """Below -140 dB; sample by sample below the rounding of the files that are added: half a float step x its gain."""
    parts, trim_db = parts_of(out), manifest_of(out)["trim_db"]
    assert trim_db < 0.0  # the null must hold with the common trim on every file
    for bus in ("left", "right", "centre"):
        rest, roundings = samples(out, f"bus_{bus}"), 1.0
        members = [p for p in parts.values() if p["kind"] in ("stem", "room") and p["bus"] == bus]
        assert members
        for part in members:
            if part["gain_to_bus_db"] is not None:
                gain = 10.0 ** (part["gain_to_bus_db"] / 20.0)
                rest -= gain * samples(out, part["part"])
                roundings += gain
        assert rms_db(rest) < -140.0
        assert np.max(np.abs(rest)) <= FLOAT_ROUNDING * roundings


def test_buses_null_against_the_guitar_bus(out: Path) -> None:
    """Panned by the gains in the manifest, widened here by mid and side: below -140 dB."""
    document = manifest_of(out)
    stereo = np.zeros((2, FRAMES))
    for bus in document["buses"]:
        stereo += np.array([[bus["left_gain"]], [bus["right_gain"]]]) * samples(out, f"bus_{bus['bus']}")
    mid, side = stereo.sum(axis=0) / 2.0, (stereo[0] - stereo[1]) / 2.0
    side *= document["guitar_bus"]["width"]
    wide = np.array([mid + side, mid - side]) * 10.0 ** (document["guitar_bus"]["gain_db"] / 20.0)
    rest = samples(out, "guitars") - wide
    assert level_db(wide) > -30.0
    assert rms_db(rest) < -140.0
    assert np.max(np.abs(rest)) <= FLOAT_ROUNDING * 6  # three buses, widened by 1.3, and the guitar bus itself


def test_pans_are_sin_and_cos(out: Path) -> None:
    """Constant power at the recipe's places: cos and sin of (1 + pan) pi / 4 (common practice, from memory)."""
    for bus in manifest_of(out)["buses"]:
        angle = (1.0 + bus["pan"]) * np.pi / 4.0
        assert (bus["left_gain"], bus["right_gain"]) == pytest.approx((np.cos(angle), np.sin(angle)), abs=1e-15)


def test_rooms_place_changes_no_bus(outs: dict[str, Path]) -> None:
    """own, stem and both: the same buses and guitar bus, sample for sample; the stem holds the room where it should."""
    outs = {place.split()[0]: out for place, out in outs.items() if place.endswith("in_files")}
    shas = {place: {p: e["sha256"] for p, e in parts_of(out).items()} for place, out in outs.items()}
    for part in ("bus_left", "bus_right", "bus_centre", "guitars"):
        assert len({sha[part] for sha in shas.values()}) == 1
    assert not any(part.startswith("room_") for part in shas["stem"])
    assert {p for p in shas["both"] if p.startswith("room_")} == {p for p in shas["own"] if p.startswith("room_")}
    assert shas["stem"]["stem_left_a"] == shas["both"]["stem_left_a"] != shas["own"]["stem_left_a"]
    # Trims: the stems with rooms are louder, but here the bus is what meets the ceiling in all three.
    rooms = samples(outs["own"], "room_left_a_room") + samples(outs["own"], "room_left_a_far")
    rest = samples(outs["stem"], "stem_left_a") - samples(outs["own"], "stem_left_a") - rooms
    assert np.max(np.abs(rest)) <= 4 * FLOAT_ROUNDING
