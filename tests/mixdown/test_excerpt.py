"""Any stretch of a mix is that stretch of the whole render; a switched mix is the mix that the switch says."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from premix.arrays import FloatArray
from premix.mixdown.mic_sum import HOP, RUN_IN
from premix.mixdown.plan import Switches, switched
from premix.mixdown.render import Excerpt
from premix.model.mix import MixPlan
from tests.rigs.mixes import mixed_whole, planned
from tests.rigs.sessions import Song, level_db, riff, write_song

RATE, FRAMES = 48_000, 560_123
"""Longer than the run-in of chains, 10 s, and than that of filters."""
COUNT = 5_000
RECIPE = """\
format: 1
song: Excerpts
mics:
  dynamic: {polarity: normal, delay: none}
  ribbon: {gain_db: -3, polarity: inverted, delay: {samples: 6.37}}
  sub: {role: sub, gain_db: -6, polarity: normal, delay: {samples: -30.2}}
  room: {role: room, gain_db: -6, polarity: inverted}
performances:
  left: {bus: left, gain_db: -3}
  right: {bus: right}
  centre: {bus: centre, gain_db: -1}
buses: {right: {pan: 0.6, gain_db: -1.5}, centre: {pan: 0.1}}
guitar_bus: {width: 1.4, gain_db: -2}
deliver: {files: [stems, rooms, rooms_ungated, buses, guitar_bus, aligned_mics, guitar_bus_without_centre]}
"""
EQ = "{{bell: {{frequency_hz: {hz}, gain_db: 4}}}}, {{high_shelf: {{frequency_hz: 5000, gain_db: -2}}}}"
LINEAR_PHASE = "{high_pass: {cutoff_hz: 90, slope_db_oct: 24, phase: linear}}"
KINDS: Mapping[str, tuple[Sequence[str], float | None]] = {
    "plain": ((), None),
    "rooms in the stems": (("deliver.room=stem",), None),
    "filters": (("mics.dynamic.high_pass_hz=60", "mics.sub.low_pass_hz=180", "mics.room.high_pass_hz=40"), -200.0),
    "equalisers at every place": (
        (
            *(f"mics.{mic}.chain=[{EQ.format(hz=500)}]" for mic in ("dynamic", "ribbon", "room")),
            f"performances.left.chain=[{EQ.format(hz=900)}]",
            f"buses.right.chain=[{EQ.format(hz=150)}]",
            f"guitar_bus.chain=[{EQ.format(hz=2000)}]",
        ),
        -120.0,
    ),
    "late buses": ((f"buses.left.chain=[{LINEAR_PHASE}]",), -120.0),
    "late everywhere": (
        (
            f"mics.ribbon.chain=[{LINEAR_PHASE}]",
            f"performances.right.chain=[{LINEAR_PHASE}]",
            f"buses.left.chain=[{LINEAR_PHASE}]",
            f"guitar_bus.chain=[{LINEAR_PHASE}]",
        ),
        -120.0,
    ),
}
"""Settings of the recipe, and how far below full scale an excerpt may differ from the render; None: not by one bit."""
STARTS = (0, 1, HOP - 1, 10 * HOP, 123_457, RUN_IN + 80_001, 10 * RATE + 31_007, FRAMES - COUNT)
"""The song's begin, its end, and places of which most are no multiple of the hop."""


@dataclass(frozen=True)
class Mixes:
    """A song whose mixes are planned and rendered once."""

    song: Song
    plans: dict[tuple[str, ...], tuple[MixPlan, list[str]]] = field(default_factory=dict)
    renders: dict[tuple[str, ...], dict[str, FloatArray]] = field(default_factory=dict)

    def plan(self, *settings: str) -> tuple[MixPlan, list[str]]:
        """The plan, and the names of all of its parts."""
        if settings not in self.plans:
            self.plans[settings] = planned(self.song, settings)
        return self.plans[settings]

    def whole(self, *settings: str) -> dict[str, FloatArray]:
        """Every part of the render."""
        if settings not in self.renders:
            self.renders[settings] = mixed_whole(*self.plan(*settings))
        return self.renders[settings]


@pytest.fixture(scope="module")
def mixes(tmp_path_factory: pytest.TempPathFactory) -> Mixes:
    """Three performances of four mics, sound from the first sample to the last."""
    takes = {
        f"{performance}_{mic}": riff(10 * seed + number, FRAMES, peak=0.2)
        for seed, performance in enumerate(("left", "right", "centre"))
        for number, mic in enumerate(("dynamic", "ribbon", "sub", "room"))
    }
    return Mixes(write_song(tmp_path_factory.mktemp("excerpts"), RECIPE, takes))


def excerpt(plan: MixPlan, parts: Sequence[str], start: int, *counts: int) -> dict[str, FloatArray]:
    """A stretch of the parts, read in pieces of `counts`."""
    with Excerpt(plan, parts, start) as stream:
        pieces = [stream.next(count) for count in counts]
    return {part: np.concatenate([piece[part] for piece in pieces], axis=1) for part in parts}


@pytest.mark.parametrize("kind", KINDS)
def test_an_excerpt_nulls_against_the_whole_render(mixes: Mixes, kind: str) -> None:
    """Every part, at every place: bit for bit, but for what filters and chains still know of long ago."""
    settings, most_dbfs = KINDS[kind]
    (plan, parts), whole = mixes.plan(*settings), mixes.whole(*settings)
    assert len(parts) >= 3 * (1 + 4) + 3 + 2
    for start in STARTS:
        found = excerpt(plan, parts, start, COUNT)
        for part in parts:
            expected = whole[part][:, start : start + COUNT]
            assert level_db(expected) > -60.0, (part, start)  # there is something to compare
            if most_dbfs is None:
                np.testing.assert_array_equal(found[part], expected, err_msg=f"{part} from {start}")
            else:
                assert level_db(found[part] - expected) < most_dbfs, (part, start)


def test_what_these_chains_hold_back_is_made_up_for(mixes: Mixes) -> None:
    """The buses' chains work, and a stem before them has the samples that it has without them."""
    late, stems_alone = KINDS["late everywhere"][0], f"mics.ribbon.chain=[{LINEAR_PHASE}]"
    assert level_db(mixes.whole(*late)["guitars"] - mixes.whole()["guitars"]) > -60.0
    assert level_db(mixes.whole(*late)["stem_left"] - mixes.whole(stems_alone)["stem_left"]) < -300.0


@pytest.mark.parametrize("kind", ["plain", "late everywhere"])
@pytest.mark.parametrize("counts", [(1, 1, 4998), (HOP, HOP, HOP), (6 * HOP, 1), (7, 30_000)])
def test_pieces_are_the_stretch(mixes: Mixes, kind: str, counts: tuple[int, ...]) -> None:
    """However it is asked for, sample by sample or over several blocks at once, across their edges."""
    plan, parts = mixes.plan(*KINDS[kind][0])
    pieces, at_once = (excerpt(plan, parts, 123_457, *asked) for asked in (counts, (sum(counts),)))
    for part in parts:
        np.testing.assert_array_equal(pieces[part], at_once[part], err_msg=part)


def test_only_what_is_asked_for_is_given(mixes: Mixes) -> None:
    """The same samples as among all parts."""
    plan, _ = mixes.plan()
    found = excerpt(plan, ["bus_right", "guitars"], 777, COUNT)
    assert list(found) == ["bus_right", "guitars"]
    assert {part: block.shape for part, block in found.items()} == {"bus_right": (1, COUNT), "guitars": (2, COUNT)}
    for part, block in found.items():
        np.testing.assert_array_equal(block, mixes.whole()[part][:, 777 : 777 + COUNT])


def test_the_trim_is_in_the_excerpt(mixes: Mixes) -> None:
    """Half the gain in the plan is half of every part, as in the files."""
    plan, parts = mixes.plan()
    found = excerpt(replace(plan, trim=0.5), parts, 9_999, COUNT)
    for part in parts:
        np.testing.assert_array_equal(found[part], 0.5 * mixes.whole()[part][:, 9_999 : 9_999 + COUNT], err_msg=part)


def test_no_switch_changes_nothing(mixes: Mixes) -> None:
    """The plan itself."""
    plan, _ = mixes.plan()
    assert switched(plan, Switches()) == plan


AS_RECORDED = tuple(
    f"mics.{mic}={{role: {role}, gain_db: {db}, polarity: normal, delay: none}}"
    for mic, role, db in (("ribbon", "close", -3), ("sub", "sub", -6), ("room", "room", -6))
)


def test_recorded_is_the_render_without_alignment(mixes: Mixes) -> None:
    """Every part, bit for bit, once the gates are open: theirs follow a key that is not aligned either."""
    (plan, parts), (unaligned, _) = mixes.plan(), mixes.plan(*AS_RECORDED)
    found, expected = (
        mixed_whole(made, parts)
        for made in (
            switched(plan, Switches(recorded="all", rooms="open")),
            switched(unaligned, Switches(rooms="open")),
        )
    )
    for part in parts:
        np.testing.assert_array_equal(found[part], expected[part], err_msg=part)
    assert level_db(found["stem_left"] - mixes.whole()["stem_left"]) > -30.0


def test_recorded_rooms_go_through_their_gates(mixes: Mixes) -> None:
    """The room was only turned over: as recorded it is the delivered room, turned back."""
    found = mixed_whole(switched(mixes.plan()[0], Switches(recorded="all")), ["room_left"])
    np.testing.assert_array_equal(found["room_left"], -mixes.whole()["room_left"])


def test_recorded_close_mics_leave_the_rooms_as_delivered(mixes: Mixes) -> None:
    """Stems as with every mic as recorded, rooms as in the files."""
    plan, _ = mixes.plan()
    every, close = (
        mixed_whole(switched(plan, Switches(recorded=which)), ["stem_left", "room_left"]) for which in ("all", "close")
    )
    np.testing.assert_array_equal(close["stem_left"], every["stem_left"])
    np.testing.assert_array_equal(close["room_left"], mixes.whole()["room_left"])


def test_open_rooms_are_the_ungated_ones(mixes: Mixes) -> None:
    """room_* becomes room_ungated_*, the bus has it in it, and the stems are what they were."""
    plan, parts = mixes.plan()
    found, whole = mixed_whole(switched(plan, Switches(rooms="open")), parts), mixes.whole()
    for name in ("left", "right", "centre"):
        np.testing.assert_array_equal(found[f"room_{name}"], whole[f"room_ungated_{name}"])
        np.testing.assert_array_equal(found[f"stem_{name}"], whole[f"stem_{name}"])
        added = whole[f"room_ungated_{name}"] - whole[f"room_{name}"]
        assert level_db(added) > -115.0  # the hiss of the stops
        # A plain sum; the files of the rooms hold the gain of their bus.
        assert level_db(found[f"bus_{name}"] - whole[f"bus_{name}"] - added) < -300.0


@pytest.mark.parametrize(
    ("switches", "settings"),
    [
        (Switches(rooms="off"), ["mics.room.mute=true"]),
        (Switches(gains={"room": 0.0}), ["mics.room.mute=true"]),
        (Switches(rooms="open", gains={"ribbon": 0.0}), ["mics.ribbon.mute=true"]),
        (
            Switches(rooms="open", gains={"dynamic": 10.0**-0.6, "sub": 10.0**0.3}),
            ["mics.dynamic.gain_db=-12", "mics.sub.gain_db=6"],
        ),
    ],
    ids=["rooms off", "room at 0", "ribbon at 0", "other gains"],
)
def test_off_and_a_gain_of_0_leave_a_mic_out(mixes: Mixes, switches: Switches, settings: Sequence[str]) -> None:
    """As a mic that the recipe mutes; another gain is that gain in the recipe.

    Where the key would be another, the gates are open. Of a gain in dB and a linear one the last bit may differ.
    """
    (plan, _), (other, parts) = mixes.plan(), mixes.plan(*settings)
    found, expected = (
        mixed_whole(switched(plan, switches), parts),
        mixed_whole(switched(other, Switches(rooms=switches.rooms)), parts),
    )
    for part in parts:
        assert level_db(found[part] - expected[part]) < -300.0, part
    assert level_db(found["guitars"] - mixes.whole()["guitars"]) > -30.0


def test_without_a_bus_is_the_guitar_bus_without_it(mixes: Mixes) -> None:
    """The centre left out: what is delivered as guitars_without_centre; the other buses are what they were."""
    plan, _ = mixes.plan()
    left = switched(plan, Switches(without_bus="centre"))
    assert [bus.name for bus in left.buses] == ["left", "right"]
    found, whole = mixed_whole(left, ["guitars", "bus_left", "bus_right"]), mixes.whole()
    np.testing.assert_array_equal(found["guitars"], whole["guitars_without_centre"])
    assert level_db(found["guitars"] - whole["guitars"]) > -60.0
    for part in ("bus_left", "bus_right"):
        np.testing.assert_array_equal(found[part], whole[part])


KEYED = "[{{expander: {{threshold_db: -30, ratio: 4, range_db: 40, key: {key}}}}}]"


@pytest.mark.parametrize("key", ["dynamic", "room"])
def test_a_mic_that_is_left_out_is_still_a_key(mixes: Mixes, key: str) -> None:
    """The ribbon's expander listens to it, heard or not, as to a mic that the recipe mutes."""
    chain = f"mics.ribbon.chain={KEYED.format(key=key)}"
    (plan, _), (muted, _) = mixes.plan(chain), mixes.plan(chain, "mics.dynamic.mute=true", "mics.room.mute=true")
    found, expected = (
        excerpt(made, ["stem_left"], 0, RATE)["stem_left"]
        for made in (switched(plan, Switches(rooms="off", gains={"dynamic": 0.0})), muted)
    )
    np.testing.assert_array_equal(found, expected)
    assert level_db(found) > -30.0
